"""MedicationRequests. Codes and shapes are those of FHIR R4; doses are those of the Decision."""

from decimal import Decimal
from typing import Any

import pytest

from cds_service.content.model import Message
from cds_service.engine.model import Order
from cds_service.fhir.write import write
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.fhir.decisions import (
    AS_OF,
    BASE,
    PROPOSAL,
    amoxicillin,
    benzylpenicillin,
    decision,
    dose,
    gentamicin,
    plan,
    protocol,
)
from tests.fhir.judge import judged, resources


def request(order: Order) -> dict[str, Any]:
    """The one MedicationRequest for an order."""
    bundle = judged(write(decision(planned=plan(orders=(order,))), base=BASE, language=""))
    (found,) = resources(bundle, "MedicationRequest")
    return found


def dosage(order: Order) -> dict[str, Any]:
    """Its one dosage instruction."""
    (found,) = request(order)["dosageInstruction"]
    return found


def test_it_is_a_draft_proposal() -> None:
    found = request(amoxicillin())
    assert (found["status"], found["intent"]) == ("draft", "proposal")


def test_it_is_an_option_while_the_choice_is_open() -> None:
    assert request(amoxicillin(is_option=True))["intent"] == "option"


def test_the_medication_is_contained_with_atc_form_and_strength() -> None:
    found = request(amoxicillin())
    (medication,) = found["contained"]
    assert found["medicationReference"] == {"reference": f"#{medication['id']}"}
    codes = {coding["system"]: coding["code"] for coding in medication["code"]["coding"]}
    assert codes["http://www.whocc.no/atc"] == "J01CA04"  # WHO ATC index, from memory
    assert codes[f"{BASE}/CodeSystem/formulation"] == "amoxicillin-dispersible-tablet-250mg"
    assert medication["form"]["coding"][0]["system"] == "http://snomed.info/sct"
    strength = medication["ingredient"][0]["strength"]
    assert (strength["numerator"]["value"], strength["numerator"]["code"]) == (250, "mg")
    assert (strength["denominator"]["value"], strength["denominator"]["code"]) == (1, "{tbl}")


def test_the_strength_is_that_after_dilution_so_that_volume_times_strength_is_the_dose() -> None:
    # 80 mg/2 mL + 6 mL sterile water = 10 mg/mL (ETH seen)
    (medication,) = request(gentamicin())["contained"]
    strength = medication["ingredient"][0]["strength"]
    assert Decimal(strength["numerator"]["value"]) / Decimal(strength["denominator"]["value"]) == 10


def test_the_dose_is_told_as_measured_and_as_milligrams() -> None:
    ordered, calculated = dosage(amoxicillin())["doseAndRate"]
    assert ordered["type"]["coding"][0] == {
        "system": "http://terminology.hl7.org/CodeSystem/dose-rate-type",
        "code": "ordered",
    }
    assert calculated["type"]["coding"][0]["code"] == "calculated"
    assert ordered["doseQuantity"] == {
        "value": "0.5",
        "unit": "tablet",
        "system": "http://unitsofmeasure.org",
        "code": "{tbl}",
    }
    assert (calculated["doseQuantity"]["value"], calculated["doseQuantity"]["code"]) == (125, "mg")


def test_penicillin_is_counted_in_international_units() -> None:
    # 50,000 IU/kg x 3.4 kg = 170,000 IU: 0.34 mL of 500,000 IU/mL, by 0.05 mL 0.35 mL (derived)
    calculated = dosage(benzylpenicillin())["doseAndRate"][1]["doseQuantity"]
    assert (calculated["value"], calculated["code"], calculated["unit"]) == (175000, "[iU]", "IU")


def test_a_course_is_twice_a_day_within_seven_days() -> None:
    timing = dosage(amoxicillin())["timing"]
    assert timing["repeat"] == {
        "boundsDuration": {
            "value": 7,
            "unit": "day",
            "system": "http://unitsofmeasure.org",
            "code": "d",
        },
        "frequency": 2,
        "period": 1,
        "periodUnit": "d",
    }
    assert timing["code"]["coding"][0]["code"] == "BID"


def test_once_a_day_has_its_own_code() -> None:
    assert dosage(gentamicin())["timing"]["code"]["coding"][0]["code"] == "QD"


def test_a_frequency_without_a_code_is_told_by_its_numbers_alone() -> None:
    timing = dosage(amoxicillin(times_a_day=6, doses=42))["timing"]
    assert (timing["repeat"]["frequency"], "code" in timing) == (6, False)


def test_a_single_dose_is_a_count_of_one_and_nothing_else() -> None:
    assert dosage(gentamicin("refer"))["timing"] == {"repeat": {"count": 1}}


def test_bounds_cover_the_doses_still_to_give() -> None:
    # "A pre-referral gentamicin dose is day 1 of gentamicin" (clinical content, section 3)
    repeat = dosage(gentamicin(doses=6))["timing"]["repeat"]
    assert repeat["boundsDuration"]["value"] == 6
    repeat = dosage(amoxicillin(doses=13))["timing"]["repeat"]
    assert repeat["boundsDuration"]["value"] == 7


@pytest.mark.parametrize(
    ("order", "code"), [(amoxicillin(), "26643006"), (gentamicin(), "78421000")]
)
def test_the_route_has_its_snomed_code(order: Order, code: str) -> None:
    # SNOMED CT: 26643006 oral route, 78421000 intramuscular route (from memory)
    assert dosage(order)["route"]["coding"][0]["code"] == code


def test_an_injection_says_where() -> None:
    assert dosage(gentamicin())["site"] == {"text": "outer side of the middle of the thigh"}
    assert "site" not in dosage(amoxicillin())


def test_the_text_says_it_all_in_one_sentence() -> None:
    assert dosage(amoxicillin())["text"] == (
        "half a tablet = 125 mg (250 mg in 1 tablet) by mouth, twice a day for 7 days: 14 doses. "
        "First dose due: Wednesday 4 March 2026, 09:30."
    )


def test_a_running_course_says_how_many_doses_are_left() -> None:
    text = dosage(amoxicillin(doses=9))["text"]
    assert "doses still to give: 9." in text
    assert "Next dose due" in text


def test_a_course_that_may_not_be_shorter_says_so() -> None:
    assert "for at least 7 days" in dosage(amoxicillin(at_least=True))["text"]


def test_instructions_are_for_the_patient() -> None:
    told = (Message("first-dose-here"), Message("give.oral"))
    words = dosage(amoxicillin(instructions=told))["patientInstruction"]
    assert words.startswith("Give the first dose in the clinic")
    assert "patientInstruction" not in dosage(amoxicillin())


def test_what_to_hand_out_is_whole_tablets() -> None:
    found = request(amoxicillin())["dispenseRequest"]
    assert (found["quantity"]["value"], found["quantity"]["code"]) == (7, "{tbl}")
    assert found["validityPeriod"] == {"start": AS_OF.isoformat()}


def test_stored_alone_it_still_says_that_it_is_a_proposal() -> None:
    (note,) = request(amoxicillin())["note"]
    assert note["text"].startswith(PROPOSAL)


def test_the_note_names_the_dose_per_kilogram_the_target_the_rule_and_the_sources() -> None:
    (note,) = request(amoxicillin())["note"]
    # 125 mg / 3.4 kg = 36.76; twice a day 73.53; 50 mg/kg x 3.4 kg = 170 mg (derived)
    band = "weight band 2.5 kg to under 4 kg"
    for words in ("36.8 mg/kg per dose", "73.5 mg/kg per day", "170 mg", band):
        assert words in note["text"]
    assert "CB19; from memory" in note["text"]


def test_what_was_said_about_the_dose_is_in_the_note() -> None:
    order = amoxicillin()
    order = replace(order, dose=replace(order.dose, notes=(Message("slip.unknown"),)))
    assert "Check the scale and the unit." in request(order)["note"][0]["text"]


def test_it_gives_its_classes_as_reasons() -> None:
    found = request(amoxicillin(classes=()))
    assert "reasonReference" not in found


def test_texts_kept_from_one_order_are_never_used_for_another() -> None:
    first = amoxicillin()
    heavier = replace(
        first.dose, weight=Quantity(Decimal("3.9"), "kg"), per_kg=Decimal(125) / Decimal("3.9")
    )
    for order in (
        first,
        replace(first, dose=heavier),
        amoxicillin(doses=9),
        amoxicillin(days=5, doses=10),
    ):
        alone = decision(planned=plan(orders=(order,)))
        again = replace(alone, protocol=replace(protocol()))  # another object: nothing is kept
        assert write(alone, base=BASE, language="") == write(again, base=BASE, language="")


@pytest.mark.parametrize("form", [form.code for _, form in protocol().formulations])
def test_every_formulation_of_the_protocol_can_be_written(form: str) -> None:
    medicine, known = next(pair for pair in protocol().formulations if pair[1].code == form)
    order = amoxicillin()
    given = Quantity(known.step.value, known.per.unit)
    content = known.contained(given)
    dose = replace(
        order.dose, medicine=medicine, formulation=known, amount=given, contained=content
    )
    found = request(replace(order, dose=dose))
    assert found["dispenseRequest"]["quantity"]["code"] == known.pack


def test_a_form_without_a_snomed_code_is_told_in_words() -> None:
    order = amoxicillin()
    plain_form = replace(order.dose.formulation, form_snomed="")
    order = replace(order, dose=replace(order.dose, formulation=plain_form))
    made = decision(planned=plan(orders=(order,)), protocol=replace(protocol()))
    bundle = judged(write(made, base=BASE, language=""))
    (medication,) = resources(bundle, "MedicationRequest")[0]["contained"]
    assert medication["form"] == {"text": "dispersible tablet"}


def test_a_product_of_two_substances_names_both_and_counts_in_the_first() -> None:
    # Cotrimoxazole 200/40 mg per 5 ml, 2.5 ml (from memory).
    form = "cotrimoxazole-suspension-200mg-40mg-5ml"
    known = dose("cotrimoxazole", form, "2.5", rule="every-weight")
    given = replace(known, per_kg=None, weight=None, target=None, target_rule="")
    found = request(amoxicillin(key="here.cotrimoxazole", dose=given, days=14))
    (medication,) = found["contained"]
    assert medication["code"]["coding"][0]["code"] == "J01EE01"  # WHO ATC index, from memory
    assert [
        (
            each["itemCodeableConcept"],
            each["strength"]["numerator"]["value"],
            each["strength"]["denominator"]["value"],
        )
        for each in medication["ingredient"]
    ] == [({"text": "sulfamethoxazole"}, 200, 5), ({"text": "trimethoprim"}, 40, 5)]
    ordered, calculated = found["dosageInstruction"][0]["doseAndRate"]
    assert (ordered["doseQuantity"]["value"], calculated["doseQuantity"]["value"]) == ("2.5", 100)
    assert "The amount does not depend on the weight." in found["note"][0]["text"]


def test_what_is_put_inside_the_mouth_says_so() -> None:
    known = dose("nystatin", "nystatin-suspension-100000iu-ml", "1", rule="every-weight")
    (dosage_,) = request(amoxicillin(key="here.nystatin", dose=known))["dosageInstruction"]
    assert dosage_["route"]["text"] == "inside the mouth"
    assert dosage_["route"]["coding"][0]["code"] == "372473007"  # SNOMED CT, from memory
