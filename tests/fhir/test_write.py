"""The answer as a whole: one Bundle, valid, complete, and always the same for the same Decision."""

import json
import subprocess
import sys
import uuid
from datetime import UTC, datetime
from decimal import Decimal

import orjson
import pytest

from cds_service.case import Origin
from cds_service.engine.identity import uuid5
from cds_service.engine.model import Decision
from cds_service.fhir.write import write
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import exact
from cds_service.fhir.write_template import Template
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.fhir import decisions
from tests.fhir.decisions import BASE, case, decision, nothing, severe, undecided
from tests.fhir.judge import actions, judged, own_references, resources

DECISIONS = {
    "choice": severe(),
    "refer": severe("refer"),
    "here": severe("here"),
    "referral only": severe("refer-then-here"),
    "undecided": undecided(),
    "nothing": nothing(),
}


def answer(made: Decision, language: str = "en") -> dict:
    """The judged answer."""
    return judged(write(made, base=BASE, language=language))


@pytest.mark.parametrize("made", DECISIONS.values(), ids=DECISIONS)
def test_every_resource_is_valid_r4(made: Decision) -> None:
    assert answer(made)


@pytest.mark.parametrize("made", DECISIONS.values(), ids=DECISIONS)
def test_every_reference_into_the_answer_leads_to_an_entry(made: Decision) -> None:
    bundle = answer(made)
    callers = {
        origin.reference
        for held in made.assessment.classes
        for t in held.tests
        for origin in t.origins
    }
    urls = {entry["fullUrl"] for entry in bundle["entry"]}
    assert own_references(bundle) - callers <= urls


@pytest.mark.parametrize("made", DECISIONS.values(), ids=DECISIONS)
def test_every_request_is_in_exactly_one_action(made: Decision) -> None:
    bundle = answer(made)
    requests = {"MedicationRequest", "ServiceRequest", "CommunicationRequest"}
    urls = [e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] in requests]
    group = resources(bundle, "RequestGroup")[0]
    shown = [
        each["resource"]["reference"]
        for each in actions(group.get("action", []))
        if "resource" in each
    ]
    assert sorted(shown) == sorted(urls)


def test_resources_come_in_the_order_that_integrators_were_told() -> None:
    kinds = [each["resourceType"] for each in resources(answer(severe()))]
    assert list(dict.fromkeys(kinds)) == [
        "GuidanceResponse",
        "CarePlan",
        "RequestGroup",
        "Condition",
        "MedicationRequest",
        "ServiceRequest",
        "CommunicationRequest",
        "DetectedIssue",
        "DocumentReference",
        "Provenance",
    ]


def test_the_same_decision_gives_the_same_bytes() -> None:
    assert write(severe(), base=BASE, language="en") == write(severe(), base=BASE, language="en")


def test_another_process_with_another_hash_seed_gives_the_same_bytes() -> None:
    code = (
        "import sys; from tests.fhir import decisions as d;"
        "from cds_service.fhir.write import write;"
        "sys.stdout.buffer.write(write(d.severe(), base=d.BASE, language='en'))"
    )
    runs = {
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            check=True,
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": "."},
        ).stdout
        for seed in ("1", "2")
    }
    assert runs == {write(severe(), base=BASE, language="en")}


def test_another_decision_id_changes_every_id() -> None:
    other = replace(severe(), id=str(uuid.uuid4()))
    ids = {each["id"] for each in resources(answer(severe()))}
    assert not ids & {each["id"] for each in resources(answer(other))}


def test_ids_are_uuid5_of_decision_and_role() -> None:
    plan = resources(answer(severe()), "CarePlan")[0]
    assert plan["id"] == str(uuid.uuid5(uuid.UUID(decisions.ID), "care-plan"))


@pytest.mark.parametrize("name", ["", "order.here.amoxicillin", "é"])
def test_our_uuid5_is_that_of_the_standard_library(name: str) -> None:
    space = uuid.UUID(decisions.ID)
    assert uuid5(space.bytes, name.encode()).decode() == str(uuid.uuid5(space, name))


def test_every_date_comes_from_as_of_and_keeps_its_offset() -> None:
    bundle = answer(severe())
    assert bundle["timestamp"] == "2026-03-04T09:30:00+03:00"
    for each in resources(bundle, "MedicationRequest"):
        assert each["authoredOn"] == "2026-03-04T09:30:00+03:00"
    assert "2026-03-04T06:30" not in json.dumps(bundle)


def test_the_same_moment_in_another_offset_is_told_in_that_offset() -> None:
    here = severe()
    utc = decisions.AS_OF.astimezone(UTC)
    orders = tuple(replace(order, first_due=utc) for order in here.plan.orders)
    there = replace(here, case=case(as_of=utc), plan=replace(here.plan, orders=orders))
    write(here, base=BASE, language="")
    text = resources(answer(there), "MedicationRequest")[0]["dosageInstruction"][0]["text"]
    assert "06:30" in text


def test_the_callers_resources_are_named_as_the_caller_named_them() -> None:
    address = "https://clinic.example/fhir/Patient/77"
    known = case(
        subject_origin=Origin(address), encounter="https://clinic.example/fhir/Encounter/1"
    )
    plan = resources(answer(decision(case=known)), "CarePlan")[0]
    assert plan["subject"] == {"reference": address}
    assert plan["encounter"] == {"reference": "https://clinic.example/fhir/Encounter/1"}


def test_a_patient_without_address_is_named_in_words() -> None:
    plan = resources(answer(nothing()), "CarePlan")[0]
    assert plan["subject"] == {"display": "the infant of this request"}
    assert "encounter" not in plan


def test_numbers_are_written_exactly_and_plainly() -> None:
    body = write(severe(), base=BASE, language="")
    assert b'"value":0.5,"unit":"tablet"' in body
    assert b'"value":2.5,"unit":"mL"' in body


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("1.50", b"1.5"),
        ("1E+2", b"100"),
        ("0.1", b"0.1"),
        ("133.3", b"133.3"),
        ("0.00000001", b"0.00000001"),
    ],
)
def test_a_decimal_becomes_a_number_without_exponent(text: str, written: bytes) -> None:
    assert orjson.dumps(exact(Decimal(text))) == written


def test_every_resource_says_its_language() -> None:
    bundle = answer(severe())
    assert {bundle["language"], *(each["language"] for each in resources(bundle))} == {"en"}


@pytest.mark.parametrize("language", ["", "en"])
def test_english_needs_no_word_about_language(language: str) -> None:
    notes = resources(answer(decision(), language), "GuidanceResponse")[0].get("note", [])
    assert notes == []


def test_a_language_that_is_not_installed_is_said_not_ignored() -> None:
    body = write(decision(), base=BASE, language="en", unmet="xh")
    notes = resources(judged(body), "GuidanceResponse")[0]["note"]
    assert "No texts in the language xh" in notes[0]["text"]


def test_what_is_constant_is_kept_between_answers() -> None:
    write(severe(), base=BASE, language="")
    house = House.of(decisions.protocol(), BASE)
    kept = len(house.parts), len(house.sheets)
    write(severe(), base=BASE, language="")
    assert House.of(decisions.protocol(), BASE) is house
    assert (len(house.parts), len(house.sheets)) == kept


def test_answers_that_differ_in_dose_and_date_share_one_sheet() -> None:
    made = replace(severe(), protocol=replace(decisions.protocol()))
    heavier = [
        replace(order, dose=replace(order.dose, weight=Quantity(Decimal("3.9"), "kg")))
        for order in made.plan.orders
    ]
    later = replace(
        made,
        case=case(as_of=decisions.AS_OF.replace(hour=11)),
        plan=replace(made.plan, orders=tuple(heavier)),
    )
    assert answer(made) != answer(later)
    assert len(House.of(made.protocol, BASE).sheets) == 1


def test_an_answer_does_not_depend_on_what_is_kept() -> None:
    before = write(severe(), base=BASE, language="")
    decisions.protocol().memo.clear()
    assert write(severe(), base=BASE, language="") == before


def test_what_is_kept_never_grows_without_end() -> None:
    house = House.of(replace(decisions.protocol()), BASE)
    for number in range(5000):
        house.kept(("number", number), lambda: number)  # noqa: B023 - called at once
        house.sheets[number] = Template.of({})
    assert len(house.parts) <= house.parts.LIMIT < 5000
    assert len(house.sheets) <= house.sheets.LIMIT < 5000


def test_a_patient_at_midnight_in_utc_is_written_with_an_offset() -> None:
    midnight = datetime(2026, 3, 4, tzinfo=UTC)
    assert answer(decision(case=case(as_of=midnight)))["timestamp"] == "2026-03-04T00:00:00+00:00"
