"""Doses given and medicines in use."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from cds_service.case import Case
from cds_service.errors import MalformedRequest
from tests.fhir.sending import (
    ATC,
    NOW,
    OWN,
    SERVER,
    Json,
    case,
    changed,
    concept,
    encounter,
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


UNCLEAR: list[tuple[Json, str]] = [
    ({"status": "on-hold"}, "status-not-usable"),
    ({"status": "stopped"}, "status-not-usable"),
    ({"status": "unknown"}, "status-not-usable"),
    ({"effectiveDateTime": "2026-05-02"}, "future"),
]


@pytest.mark.parametrize(("changes", "reason"), UNCLEAR)
def test_a_dose_of_which_it_is_unclear_when_it_was_given_is_one_without_a_time(
    changes: Json, reason: str
) -> None:
    read = given(dose(**changes))
    assert [(one.medicine, one.at) for one in read.given] == [("amoxicillin", None)]
    assert [(one.reason, one.code) for one in read.refusals] == [(reason, "amoxicillin")]


@pytest.mark.parametrize(("changes", "reason"), UNCLEAR)
def test_an_unclear_dose_of_an_unknown_medicine_is_not_understood(
    changes: Json, reason: str
) -> None:
    assert refused(dose(concept(ATC, "A01"), **changes)) == ["medicine-not-understood"]


def test_a_dose_that_another_clock_puts_just_after_the_visit_was_given_just_now() -> None:
    (now,) = given(dose(effectiveDateTime="2026-05-01T09:44:00+02:00")).given
    assert now.at == NOW
    (before,) = given(dose(effectiveDateTime="2026-05-01T09:39:00+02:00")).given
    assert before.at == NOW - timedelta(minutes=1)


def test_a_dose_in_the_course_of_a_visit_keeps_its_time() -> None:
    period = {"start": "2026-05-01T09:00:00+02:00"}
    later = "2026-05-01T09:20:00+02:00"
    (one,) = given(encounter(period=period), dose(effectiveDateTime=later)).given
    assert one.at == datetime.fromisoformat(later)


TWO = {"coding": [*AMOXICILLIN["coding"], {"system": ATC, "code": "J01GB03"}]}


@pytest.mark.parametrize(
    "medicine",
    [
        {"text": "the pink syrup"},
        {"text": "amoxicillinum"},
        {"coding": [{"code": "J01CA04"}]},
        {"coding": [{"system": ATC}]},
        concept(ATC, "A01"),
        concept(ATC, "J01"),
        concept("http://upper-brenna.example/medicines", "J01CA04"),
        concept(f"{OWN}/formulation", "amoxicillin-of-old"),
    ],
)
def test_a_medicine_that_is_not_understood_is_named(medicine: Json) -> None:
    for one in (dose(medicine), order(medicationCodeableConcept=medicine)):
        assert refused(one) == ["medicine-not-understood"]
    assert refused(statement(medicationCodeableConcept=medicine)) == ["medicine-not-understood"]


@pytest.mark.parametrize(
    ("medicine", "held"),
    [
        (TWO, ["amoxicillin", "gentamicin"]),
        (concept(ATC, "J01CA12"), ["amoxicillin", "ampicillin"]),  # two of one ATC group
        ({"text": "Ampicillin and gentamicin"}, ["ampicillin", "gentamicin"]),
    ],
)
def test_a_medicine_that_may_be_one_of_two_is_open_for_both(
    medicine: Json, held: list[str]
) -> None:
    read = given(dose(medicine))
    assert read.given == ()
    assert [one.code for one in read.refusals] == held
    assert set(reasons(read)) == {"medicine-not-understood"}


@pytest.mark.parametrize(
    ("medicine", "code"),
    [
        (concept(ATC, "J01GB06"), "gentamicin"),  # amikacin
        (concept(ATC, "J01GB"), "gentamicin"),
        (concept(ATC, "J01DD01"), "ceftriaxone"),  # cefotaxime
        ({"text": "Inj. GENTAMICIN 80 mg/2 mL"}, "gentamicin"),
        ({"coding": [{"display": "Amoxicillin 250 mg tablet"}]}, "amoxicillin"),
        ({**concept(ATC, "J01CA"), "text": "ampicillin"}, "ampicillin"),
    ],
)
def test_a_medicine_is_known_by_its_group_or_by_its_name(medicine: Json, code: str) -> None:
    (one,) = given(dose(medicine)).given
    assert one.medicine == code
    (used,) = given(order(medicationCodeableConcept=medicine)).in_use
    assert used.medicine == code


def test_a_medicine_may_be_named_beside_a_reference_that_leads_nowhere() -> None:
    named = {"reference": "Medication/drug-9", "display": "Amoxicillin syrup"}
    (one,) = given(by_reference(named)).given
    assert one.medicine == "amoxicillin"


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
        (medication(), {"display": "the pink syrup"}),
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
        {"status": "draft"}, {"status": "completed"}, {"status": "cancelled"},
        {"status": "entered-in-error"}, {"intent": "proposal"}, {"intent": "option"},
        {"status": "stopped", "intent": "proposal"}, {"status": "stopped", "doNotPerform": True},
        {"intent": "option", "doNotPerform": True},
    ],
)  # fmt: skip
def test_a_proposal_or_an_order_that_is_over_is_not_in_use(changes: Json) -> None:
    assert refused(order(**changes)) == []


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"status": "stopped"}, "order-stopped"),
        ({"status": "on-hold"}, "order-stopped"),
        ({"doNotPerform": True}, "order-not-to-give"),
    ],
)
def test_an_order_that_somebody_stopped_or_forbade_is_said_and_holds_nothing(
    changes: Json, reason: str
) -> None:
    # FHIR R4 medicationrequest.html, status: on-hold, stopped; doNotPerform.
    read = given(order(**changes))
    assert [(one.reason, one.code) for one in read.refusals] == [(reason, "")]
    assert read.in_use == ()


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


@pytest.mark.parametrize("period", ["1", True, None, {}, [1]])
def test_a_period_that_is_no_number_is_refused_where_it_stands(period: Any) -> None:
    repeat = {"frequency": 2, "period": period, "periodUnit": "d"}
    sent = order(dosageInstruction=[{"timing": {"repeat": repeat}}])
    with pytest.raises(MalformedRequest) as refused:
        given(sent)
    (problem,) = refused.value.problems
    assert (
        problem.expression == "Bundle.entry[1].resource.dosageInstruction[0].timing.repeat.period"
    )


@pytest.mark.parametrize("period", [0, -1, 1e-9, 7])
def test_a_period_that_gives_no_times_a_day_says_none(period: float) -> None:
    repeat = {"frequency": 2, "period": period, "periodUnit": "d"}
    (one,) = given(order(dosageInstruction=[{"timing": {"repeat": repeat}}])).in_use
    assert one.a_day is None


def ucum(value: float | str, code: str) -> Json:
    return {"value": value, "system": "http://unitsofmeasure.org", "code": code}


def of_type(code: str, value: float, unit: str) -> Json:
    # FHIR R4 Dosage.doseAndRate.type: http://terminology.hl7.org/CodeSystem/dose-rate-type
    system = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
    return {"type": concept(system, code), "doseQuantity": ucum(value, unit)}


@pytest.mark.parametrize(
    ("dosage", "held"),
    [
        ({"dose": ucum(80, "mg")}, "80 mg"),
        ({"dose": ucum(0.08, "g")}, "0.08 g"),
        ({"dose": ucum(2.5, "mL")}, None),  # a volume says no mg
        ({"text": "one injection"}, None),
        (..., None),
    ],
)
def test_what_was_in_a_dose_is_read_when_the_record_says_it(dosage: Any, held: str | None) -> None:
    # FHIR R4 MedicationAdministration.dosage.dose: the amount of medicine of one event.
    (one,) = given(dose(dosage=dosage)).given
    assert (None if one.contained is None else str(one.contained)) == held


@pytest.mark.parametrize(
    ("doses", "amount", "contained"),
    [
        ([{"doseQuantity": ucum(5, "mL")}], "5 mL", None),
        ([{"doseQuantity": ucum(125, "mg")}], "125 mg", None),
        ([of_type("ordered", 5, "mL"), of_type("calculated", 125, "mg")], "5 mL", "125 mg"),
        ([of_type("ordered", 125, "mg"), of_type("calculated", 5, "mL")], "5 mL", "125 mg"),
        ([of_type("ordered", 5, "mL"), of_type("calculated", 1, "{tbl}")], "5 mL", None),
        ([of_type("ordered", 5, "mL"), {"type": concept("x:y", "z")}], "5 mL", None),
        ([{"doseQuantity": ucum(5, "mL")}, {"doseQuantity": ucum(125, "mg")}], None, None),
        ([{"type": concept("x:y", "z")}], None, None),
        ([{"doseQuantity": ucum(5, "furlong")}], None, None),
    ],
)
def test_what_an_order_measures_and_what_is_in_it(
    doses: list[Json], amount: str | None, contained: str | None
) -> None:
    (use,) = given(order(dosageInstruction=[{"doseAndRate": doses}])).in_use
    read = [None if each is None else str(each) for each in (use.amount, use.contained)]
    assert read == [amount, contained]


def test_the_product_that_an_order_names_is_known_when_it_is_one() -> None:
    forms = [form.code for form in protocol().medicine_by_code["amoxicillin"].formulations]

    def product(*codes: str) -> str:
        codings = [{"system": ATC, "code": "J01CA04"}]
        codings += [{"system": f"{OWN}/formulation", "code": code} for code in codes]
        (use,) = given(order(medicationCodeableConcept={"coding": codings})).in_use
        return use.formulation

    assert product(forms[0]) == forms[0]
    assert product() == ""
    assert product(forms[0], forms[1]) == ""
    assert product("not-one-of-ours") == ""
