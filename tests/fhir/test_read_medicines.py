"""Doses given and medicines in use."""

from datetime import datetime
from typing import Any

import pytest

from cds_service.case import Case
from cds_service.errors import MalformedRequest
from tests.fhir.sending import (
    ATC,
    OWN,
    SERVER,
    Json,
    case,
    changed,
    concept,
    patient,
    protocol,
    reasons,
    refused,
)

TODAY = "2026-05-01T08:00:00+02:00"
AMOXICILLIN = concept(ATC, "J01CA04")


def dose(medicine: Json = AMOXICILLIN, **changes: Any) -> Json:
    one = {
        "resourceType": "MedicationAdministration",
        "id": "dose-1",
        "status": "completed",
        "medicationCodeableConcept": medicine,
        "subject": {"reference": "Patient/infant-1"},
        "effectiveDateTime": TODAY,
    }
    return changed(one, changes)


def order(**changes: Any) -> Json:
    one = {
        "resourceType": "MedicationRequest",
        "id": "order-1",
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": AMOXICILLIN,
        "subject": {"reference": "Patient/infant-1"},
    }
    return changed(one, changes)


def statement(**changes: Any) -> Json:
    one = {
        "resourceType": "MedicationStatement",
        "id": "statement-1",
        "status": "active",
        "medicationCodeableConcept": AMOXICILLIN,
        "subject": {"reference": "Patient/infant-1"},
    }
    return changed(one, changes)


def given(*resources: Json) -> Case:
    return case(patient(), *resources)


def test_a_dose_is_known_by_atc_or_by_product() -> None:
    for medicine in protocol().medicines:
        codes = [concept(ATC, medicine.atc)]
        codes += [concept(f"{OWN}/formulation", form.code) for form in medicine.formulations]
        for code in codes:
            (one,) = given(dose(code)).given
            assert (one.medicine, one.at) == (medicine.code, datetime.fromisoformat(TODAY))


def test_a_dose_that_runs_counts_as_given() -> None:
    period = {"start": TODAY, "end": "2026-05-01T08:30:00+02:00"}
    (one,) = given(dose(status="in-progress", effectiveDateTime=..., effectivePeriod=period)).given
    assert one.at == datetime.fromisoformat("2026-05-01T08:30:00+02:00")


def test_a_date_alone_does_not_say_how_many_hours_ago_a_dose_was_given() -> None:
    # Section 3 of the clinical content: judged by hours since the dose, never by calendar day.
    (today,) = given(dose(effectiveDateTime="2026-05-01")).given
    (long_ago,) = given(dose(effectiveDateTime="2026-04-20")).given
    assert today.at is None
    assert long_ago.at is not None


def test_a_dose_without_a_time_is_a_dose() -> None:
    (one,) = given(dose(effectiveDateTime=...)).given
    assert one.at is None


@pytest.mark.parametrize("status", ["not-done", "entered-in-error"])
def test_a_dose_that_was_not_given_is_none(status: str) -> None:
    assert refused(dose(status=status)) == []


@pytest.mark.parametrize("status", ["on-hold", "stopped", "unknown"])
def test_a_dose_of_unclear_status_is_refused(status: str) -> None:
    assert refused(dose(status=status)) == ["status-not-usable"]


def test_a_dose_in_the_future_was_not_given() -> None:
    assert refused(dose(effectiveDateTime="2026-05-02")) == ["future"]


TWO = {"coding": [*AMOXICILLIN["coding"], {"system": ATC, "code": "J01GB03"}]}


@pytest.mark.parametrize(
    "medicine",
    [
        {"text": "amoxicillin"},
        {"coding": [{"code": "J01CA04"}]},
        concept(ATC, "A01"),
        concept("http://upper-brenna.example/medicines", "J01CA04"),
        TWO,
    ],
)
def test_a_medicine_that_is_not_understood_is_named(medicine: Json) -> None:
    for one in (dose(medicine), order(medicationCodeableConcept=medicine)):
        assert refused(one) == ["medicine-not-understood"]
    assert refused(statement(medicationCodeableConcept=medicine)) == ["medicine-not-understood"]


def medication(**changes: Any) -> Json:
    one = {"resourceType": "Medication", "id": "drug-1", "code": AMOXICILLIN}
    return changed(one, changes)


def by_reference(reference: Json, **changes: Any) -> Json:
    return dose(medicationCodeableConcept=..., medicationReference=reference, **changes)


@pytest.mark.parametrize("reference", ["Medication/drug-1", f"{SERVER}/Medication/drug-1"])
def test_a_medicine_may_be_referred_to(reference: str) -> None:
    (one,) = given(medication(), by_reference({"reference": reference})).given
    assert one.medicine == "amoxicillin"


def test_a_medicine_may_be_contained() -> None:
    device = {"resourceType": "Device", "id": "syringe"}
    (one,) = given(by_reference({"reference": "#drug-1"}, contained=[device, medication()])).given
    assert one.medicine == "amoxicillin"


DRUG = {"reference": "Medication/drug-1"}


@pytest.mark.parametrize(
    ("drug", "reference"),
    [
        (medication(), {"reference": "Medication/drug-2"}),
        (medication(), {"display": "amoxicillin"}),
        (medication(), {"reference": "#drug-1"}),
        (medication(status="entered-in-error"), DRUG),
        (
            medication(implicitRules="http://upper-brenna.example/r"),
            {"reference": "Medication/drug-1"},
        ),
        (medication(code=...), DRUG),
    ],
)
def test_a_reference_that_leads_nowhere_is_not_understood(drug: Json, reference: Json) -> None:
    assert refused(drug, by_reference(reference)) == ["medicine-not-understood"]


def test_a_contained_resource_that_is_no_fhir_is_malformed() -> None:
    with pytest.raises(MalformedRequest) as caught:
        given(by_reference({"reference": "#drug-1"}, contained=[medication(code=7)]))
    expected = "Bundle.entry[1].resource.contained[0].code"
    assert caught.value.problems[0].expression == expected


def test_a_dose_of_nothing_is_malformed() -> None:
    for one in (dose, order, statement):
        with pytest.raises(MalformedRequest) as caught:
            given(one(medicationCodeableConcept=...))
        assert caught.value.problems[0].code == "required"


def test_an_active_order_or_statement_is_a_medicine_in_use() -> None:
    for one in (order(), order(intent="plan"), order(authoredOn="2026-04-30"), statement()):
        (in_use,) = given(one).in_use
        assert in_use.medicine == "amoxicillin"


@pytest.mark.parametrize(
    "changes",
    [
        {"status": "draft"}, {"status": "completed"}, {"status": "stopped"}, {"status": "on-hold"},
        {"status": "cancelled"}, {"status": "entered-in-error"}, {"intent": "proposal"},
        {"intent": "option"}, {"doNotPerform": True},
    ],
)  # fmt: skip
def test_a_proposal_or_an_order_that_is_over_is_not_in_use(changes: Json) -> None:
    assert refused(order(**changes)) == []


@pytest.mark.parametrize("status", ["completed", "intended", "stopped", "not-taken"])
def test_a_statement_that_is_not_active_is_not_in_use(status: str) -> None:
    assert refused(statement(status=status)) == []


def test_an_order_or_statement_of_unknown_status_is_refused() -> None:
    assert refused(order(status="unknown")) == ["status-not-usable"]
    assert refused(statement(status="unknown")) == ["status-not-usable"]


def test_an_order_of_tomorrow_is_refused() -> None:
    assert refused(order(authoredOn="2026-05-03")) == ["future"]


@pytest.mark.parametrize(
    ("end", "in_use"), [("2026-04-20", False), ("2026-05-01", True), ("2026-05-09", True)]
)
def test_a_statement_whose_time_is_over_is_not_in_use(end: str, in_use: bool) -> None:
    read = given(statement(effectivePeriod={"start": "2026-04-15", "end": end}))
    assert bool(read.in_use) is in_use
    assert reasons(read) == ([] if in_use else ["medicine-ended"])
