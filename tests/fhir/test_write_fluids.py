"""Fluids as MedicationRequests. Codes and shapes: FHIR R4; volumes: those of the Decision."""

from decimal import Decimal
from typing import Any

from cds_service.content.fluid import Fluid
from cds_service.content.model import Message
from cds_service.engine.model import Care, Decision, FluidOrder, FluidStep
from cds_service.fhir.write import write
from cds_service.fhir.write_house import House
from cds_service.label.plain import plain
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.fhir.decisions import BASE, SEEN, assessment, decision, held, plan, protocol
from tests.fhir.judge import actions, judged, resources


def quantity(value: str, unit: str = "mL") -> Quantity:
    """An amount."""
    return Quantity(Decimal(value), unit)


def fluid(code: str) -> Fluid:
    """A fluid of the packaged protocol."""
    return protocol().fluid_by_code[code]


def order(code: str, branch: str = "here", **changes: object) -> FluidOrder:
    """A fluid for the infant of 3.4 kg, without steps."""
    known = FluidOrder(
        key=f"{branch}.{code}",
        branch=branch,
        fluid=fluid(code),
        route=fluid(code).route,
        steps=(),
        each_stool=None,
        total=None,
        weight=quantity("3.4", "kg"),
        classes=("pneumonia",),
        is_option=False,
        instructions=(Message("give-fluid.oral"),),
    )
    return replace(known, **changes)


def drip(**changes: object) -> FluidOrder:
    """100 mL in 1 h, then 240 mL in 5 h."""
    steps = (
        FluidStep(quantity("100"), quantity("1", "h"), quantity("100")),
        FluidStep(quantity("240"), quantity("5", "h"), quantity("48")),
    )
    return order("plan-c", steps=steps, total=quantity("340"), **changes)


def decided(*fluids: FluidOrder) -> Decision:
    """A decision with these fluids."""
    return decision(assessment(held("pneumonia", severe=False)), plan(fluids=fluids))


def bundle(*fluids: FluidOrder) -> dict[str, Any]:
    """The answer with these fluids."""
    return judged(write(decided(*fluids), base=BASE, language=""))


def request(one: FluidOrder) -> dict[str, Any]:
    """The one MedicationRequest for a fluid."""
    (found,) = resources(bundle(one), "MedicationRequest")
    return found


def test_each_step_is_a_dosage_of_its_own_in_order() -> None:
    found = request(drip())
    assert (found["status"], found["intent"]) == ("draft", "proposal")
    first, then = found["dosageInstruction"]
    assert (first["sequence"], then["sequence"]) == (1, 2)
    assert first["timing"]["repeat"] == {"count": 1, "duration": 1, "durationUnit": "h"}
    assert then["timing"]["repeat"] == {"count": 1, "duration": 5, "durationUnit": "h"}
    assert "240 mL" in then["text"]
    assert "about 48 mL each hour" in then["text"]
    assert first["patientInstruction"]
    assert "patientInstruction" not in then
    assert first["route"]["coding"][0]["code"] == "47625008"  # SNOMED CT, from memory


def test_a_fluid_has_what_is_measured_and_nothing_calculated() -> None:
    """Design, decision 6."""
    for dosage in request(drip())["dosageInstruction"]:
        (dose,) = dosage["doseAndRate"]
        assert dose["type"]["coding"][0]["code"] == "ordered"
        assert dose["doseQuantity"]["code"] == "mL"


def test_the_product_is_contained_and_the_reasons_are_named() -> None:
    found = request(drip())
    (medication,) = found["contained"]
    assert found["medicationReference"] == {"reference": f"#{medication['id']}"}
    assert medication["code"]["text"] == "Ringer's lactate"
    assert "In all 340 mL: 100 mL/kg for a weight of 3.4 kg" in found["note"][0]["text"]
    assert found["reasonReference"]
    assert "reasonReference" not in request(drip(classes=()))


def test_after_each_loose_stool_is_as_needed() -> None:
    both = (quantity("50"), quantity("100"))
    (dosage,) = request(order("plan-a", each_stool=both))["dosageInstruction"]
    assert dosage["asNeededCodeableConcept"]["text"] == "after each loose stool"
    (dose,) = dosage["doseAndRate"]
    assert (dose["doseRange"]["low"]["value"], dose["doseRange"]["high"]["value"]) == (50, 100)
    assert "50 mL to 100 mL" in dosage["text"]
    (light,) = request(order("plan-a", each_stool=(None, both[0])))["dosageInstruction"]
    assert set(light["doseAndRate"][0]["doseRange"]) == {"high"}
    assert light["text"].startswith("At most 50 mL")


def test_sips_have_words_only() -> None:
    (dosage,) = request(order("ors-on-the-way", "refer"))["dosageInstruction"]
    assert "doseAndRate" not in dosage
    assert dosage["text"] == "Frequent small sips by mouth."


def test_two_ways_are_one_choice_in_the_group_and_both_are_options() -> None:
    tube = drip(key="here.plan-c-by-tube", fluid=fluid("plan-c-by-tube"), route="tube")
    found = bundle(drip(is_option=True), replace(tube, is_option=True, instead_of="here.plan-c"))
    intents = {each["intent"] for each in resources(found, "MedicationRequest")}
    assert intents == {"option"}
    (group,) = resources(found, "RequestGroup")
    choice = [
        each for each in actions(group["action"]) if each.get("selectionBehavior") == "exactly-one"
    ]
    assert [action["title"] for action in choice[0]["action"]] == [
        "Ringer's lactate, into a vein",
        "ORS (oral rehydration salts, dissolved as the packet says), by stomach tube",
    ]


def test_every_fluid_is_a_target_of_the_provenance() -> None:
    found = bundle(drip())
    (fluid_request,) = resources(found, "MedicationRequest")
    (trail,) = resources(found, "Provenance")
    assert {"reference": f"urn:uuid:{fluid_request['id']}"} in trail["target"]


def test_another_weight_fills_the_same_sheet_with_other_volumes() -> None:
    small = FluidStep(quantity("90"), quantity("1", "h"), quantity("90"))
    one, other = (request(replace(drip(), steps=(step,))) for step in (small, drip().steps[0]))
    amounts = [each["dosageInstruction"][0]["doseAndRate"][0] for each in (one, other)]
    assert [each["doseQuantity"]["value"] for each in amounts] == [90, 100]


def care(amount: str) -> Care:
    """A care item with an amount for one weight."""
    values = (("per_kg", "2 mL/kg"), ("amount", amount))
    words = (("glucose_strength", "10 %"), ("glucose", Message("amount.for-weight", values)))
    message = Message("care.treat-low-sugar", words)
    return Care("emergency.treat-low-sugar", "", message, SEEN, emergency=True, weighed=True)


def test_amounts_for_the_weight_are_filled_into_one_sheet() -> None:
    sheets = House.of(protocol(), BASE).sheets
    told, kept = [], []
    for amount in ("7 mL", "8 mL"):
        made = decision(planned=plan(emergency=(care(amount),)))
        found = judged(write(made, base=BASE, language=""))
        (service,) = resources(found, "ServiceRequest")
        (group,) = resources(found, "RequestGroup")
        assert group["action"][0]["title"] == service["code"]["text"]
        assert service["code"]["coding"][0]["code"] == "treat-low-sugar"
        told.append(service["code"]["text"])
        kept.append(len(sheets))
    assert "2 mL/kg = 7 mL" in told[0]
    assert "2 mL/kg = 8 mL" in told[1]
    assert kept[0] == kept[1]


def test_the_page_tells_each_step_the_total_and_what_it_replaces() -> None:
    tube = order(
        "plan-c-by-tube",
        route="tube",
        steps=(FluidStep(quantity("410"), quantity("6", "h"), quantity("68")),),
        total=quantity("410"),
        instead_of="here.plan-c",
    )
    page = plain(decided(drip(), tube, order("plan-a", each_stool=(None, quantity("50")))))
    for words in (
        "Ringer's lactate, into a vein",
        "100 mL into a vein within 1 hour",
        "Then 240 mL into a vein within 5 hours (about 48 mL each hour).",
        "In all 340 mL",
        "Instead of Ringer's lactate, into a vein: give exactly one of the two.",
        "At most 50 mL by mouth after each loose stool.",
        "CB14",
    ):
        assert words in " ".join(page.split()), page
    assert all(len(line) <= 80 for line in page.splitlines())


def test_the_volume_in_all_is_that_of_this_order_and_not_of_one_written_before() -> None:
    known = drip()
    for all_of_it in (quantity("340"), None, quantity("350")):
        said = plain(decided(replace(known, total=all_of_it)))
        assert ("In all" in said) is (all_of_it is not None)
        assert all_of_it is None or f"{all_of_it.value} mL" in said
