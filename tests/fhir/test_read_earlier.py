"""What an earlier visit left in the record: classes, orders, missed doses; the time of birth."""

from datetime import datetime
from typing import Any

import pytest

from cds_service.case import Case, EarlierClass
from cds_service.engine.identity import canonical
from cds_service.quantity import Quantity
from tests.fhir.sending import (
    ATC,
    HL7,
    NOW,
    OWN,
    UCUM,
    Json,
    case,
    changed,
    concept,
    encounter,
    patient,
    quantity,
    reasons,
)

DAY_ONE = "2026-04-28T09:00:00+02:00"
PNEUMONIA = concept(f"{OWN}/classification", "pneumonia")


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def status(name: str, code: str) -> Json:
    return concept(f"{HL7}/{name}", code)


def condition(**changes: Any) -> Json:
    one = {
        "resourceType": "Condition",
        "id": "class-1",
        "code": PNEUMONIA,
        "clinicalStatus": status("condition-clinical", "active"),
        "verificationStatus": status("condition-ver-status", "provisional"),
        "subject": {"reference": "Patient/infant-1"},
        "recordedDate": DAY_ONE,
    }
    return changed(one, changes)


def earlier(*resources: Json) -> tuple[EarlierClass, ...]:
    read = case(patient(), *resources)
    assert read.refusals == ()
    return read.earlier


def test_a_class_of_an_earlier_visit_is_kept_with_its_day() -> None:
    (found,) = earlier(condition())
    assert (found.code, found.at) == ("pneumonia", at(DAY_ONE))
    assert found.origin.reference.endswith("Condition/class-1")


@pytest.mark.parametrize(
    "changes",
    [
        {"verificationStatus": status("condition-ver-status", "refuted")},
        {"verificationStatus": status("condition-ver-status", "differential")},
        {"verificationStatus": status("condition-ver-status", "entered-in-error")},
        {"clinicalStatus": status("condition-clinical", "inactive")},
        {"clinicalStatus": status("condition-clinical", "resolved")},
        {"abatementDateTime": "2026-04-29"},
    ],
)
def test_a_class_that_was_not_certain_or_is_over_is_no_earlier_class(changes: Json) -> None:
    assert earlier(condition(**changes)) == ()


@pytest.mark.parametrize(
    ("recorded", "counts"),
    [
        ("2026-04-30T21:39:00+02:00", True),
        ("2026-04-30T21:40:00+02:00", False),  # twelve hours before: visit-length
        ("2026-05-01T09:40:00+02:00", False),  # our own answer, posted back
        ("2026-04-30", True),  # a date alone: the day decides
        ("2026-05-01", False),
    ],
)
def test_a_class_of_this_visit_is_no_earlier_class(recorded: str, counts: bool) -> None:
    assert bool(earlier(condition(recordedDate=recorded))) is counts


def test_what_was_recorded_before_the_visit_began_is_earlier_even_the_same_day() -> None:
    visit = encounter(period={"start": "2026-05-01T09:40:00+02:00"})
    morning = condition(recordedDate="2026-05-01T08:00:00+02:00")
    (found,) = earlier(visit, morning)
    assert found.at == at("2026-05-01T08:00:00+02:00")
    assert len(earlier(visit, condition(recordedDate="2026-04-30"))) == 1


def test_a_class_without_a_day_is_earlier_all_the_same() -> None:
    assert [one.at for one in earlier(condition(recordedDate=...))] == [None]
    assert [one.at for one in earlier(condition(recordedDate="2026-04"))] == [None]
    (onset,) = earlier(condition(recordedDate=..., onsetDateTime=DAY_ONE))
    assert onset.at == at(DAY_ONE)


def test_a_class_of_the_future_or_of_another_protocol_is_refused() -> None:
    late = case(patient(), condition(recordedDate="2026-05-09T09:00:00+02:00"))
    other = case(patient(), condition(code=concept(f"{OWN}/classification", "malaria")))
    assert (late.earlier, reasons(late)) == ((), ["future"])
    assert (other.earlier, reasons(other)) == ((), ["class-unknown"])


def order(**changes: Any) -> Json:
    one = {
        "resourceType": "MedicationRequest",
        "id": "order-1",
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": concept(ATC, "J01CA04"),
        "subject": {"reference": "Patient/infant-1"},
        "authoredOn": DAY_ONE,
        "dosageInstruction": [dosage()],
    }
    return changed(one, changes)


def dosage(**changes: Any) -> Json:
    one = {
        "timing": {
            "repeat": {
                "boundsDuration": {"value": 7, "unit": "day", "system": UCUM, "code": "d"},
                "frequency": 2,
                "period": 1,
                "periodUnit": "d",
            }
        },
        "doseAndRate": [
            {"type": concept(f"{HL7}/dose-rate-type", "calculated"),
             "doseQuantity": quantity(125, "mg")},
            {"type": concept(f"{HL7}/dose-rate-type", "ordered"),
             "doseQuantity": quantity(0.5, "{tbl}")},
        ],
    }  # fmt: skip
    return changed(one, changes)


def repeat(**changes: Any) -> Json:
    return dosage(timing={"repeat": changed(dosage()["timing"]["repeat"], changes)})


PERIOD: Json = {
    "boundsDuration": ...,
    "boundsPeriod": {"start": "2026-04-28", "end": "2026-05-02"},
}


def told(**changes: Any) -> tuple[object, ...]:
    """What an order says of its course: since, days, times a day, amount."""
    (use,) = case(patient(), order(**changes)).in_use
    assert use.ordered
    return use.since, use.days, use.a_day, use.amount


def test_an_order_says_since_when_how_long_how_often_and_how_much() -> None:
    assert told() == (at(DAY_ONE), 7, 2, Quantity.of("0.5", "{tbl}"))


@pytest.mark.parametrize(
    ("changes", "days", "a_day"),
    [
        ({"boundsDuration": {"value": 1, "system": UCUM, "code": "wk"}}, 7, 2),
        ({"boundsDuration": {"value": 1.5, "system": UCUM, "code": "d"}}, None, 2),
        ({"boundsDuration": {"value": 7, "code": "d"}}, None, 2),
        ({"boundsDuration": {"system": UCUM, "code": "d"}}, None, 2),
        ({"boundsDuration": {"comparator": "<", **quantity(7, "d")}}, None, 2),
        ({"boundsDuration": {"value": 1, "system": UCUM, "code": "mo"}}, None, 2),
        (PERIOD, 5, 2),
        ({"boundsDuration": ..., "boundsPeriod": {"start": "2026-04-28"}}, None, 2),
        ({"boundsDuration": ..., "boundsPeriod": {"end": "2026-05-02"}}, None, 2),
        ({"boundsDuration": ...}, None, 2),
        ({"frequency": 1, "period": 12, "periodUnit": "h"}, 7, 2),
        ({"frequency": 1, "period": 24, "periodUnit": "h"}, 7, 1),
        ({"frequency": 1, "period": 36, "periodUnit": "h"}, 7, None),
        ({"frequency": 1, "period": 0, "periodUnit": "h"}, 7, None),
        ({"frequency": 1, "period": 1, "periodUnit": "wk"}, 7, None),
        ({"frequency": 1, "period": 1, "periodUnit": ...}, 7, None),
        ({"frequency": 0}, 7, None),
        ({"frequency": 25}, 7, None),
        ({"frequency": 10**18}, 7, None),
        ({"boundsDuration": quantity(3650000, "d")}, None, 2),
        ({"boundsDuration": quantity(10**18, "d")}, None, 2),
        ({"boundsDuration": quantity(366, "d")}, 366, 2),
        ({"frequency": ...}, 7, None),
    ],
)  # fmt: skip
def test_how_long_and_how_often_an_order_says(
    changes: Json, days: int | None, a_day: int | None
) -> None:
    assert told(dosageInstruction=[repeat(**changes)])[1:3] == (days, a_day)


def test_the_times_a_day_may_be_said_by_a_code() -> None:
    bid = concept(f"{HL7}/v3-GTSAbbreviation", "BID")
    assert told(dosageInstruction=[dosage(timing={"code": bid})])[1:3] == (None, 2)
    other = concept(f"{HL7}/v3-GTSAbbreviation", "Q4H")
    assert told(dosageInstruction=[dosage(timing={"code": other})])[1:3] == (None, None)


@pytest.mark.parametrize(
    ("doses", "amount"),
    [
        ([{"doseQuantity": quantity(5, "mL")}], Quantity.of("5", "mL")),
        ([{"doseQuantity": quantity(5, "mL")}, {"doseQuantity": quantity(6, "mL")}], None),
        ([{"type": concept(f"{HL7}/dose-rate-type", "ordered")}], None),
        ([{"doseQuantity": quantity(5, "{spoon}")}], None),
        ([{"doseQuantity": {"value": 5, "unit": "mL"}}], None),
        ([{"doseQuantity": {"value": 5, "system": UCUM}}], None),
        ([{"doseQuantity": {"system": UCUM, "code": "mL"}}], None),
        ([{"doseQuantity": quantity(0, "mL")}], None),
        ([{"doseQuantity": changed(quantity(5, "mL"), {"comparator": ">"})}], None),
    ],
)
def test_an_amount_is_read_when_it_can_be_measured_out(
    doses: list[Json], amount: Quantity | None
) -> None:
    assert told(dosageInstruction=[dosage(doseAndRate=doses)])[3] == amount


def test_what_an_order_does_not_say_is_not_known() -> None:
    assert told(authoredOn=..., dosageInstruction=...) == (None, None, None, None)
    assert told(dosageInstruction=[{"text": "see the card"}])[1:] == (None, None, None)
    assert told(dosageInstruction=[dosage(), dosage()])[1:] == (None, None, None)
    assert told(authoredOn="2026-04")[0] is None
    period = {"boundsDuration": ..., "boundsPeriod": {"start": DAY_ONE}}
    assert told(authoredOn=..., dosageInstruction=[repeat(**period)])[0] == at(DAY_ONE)


def test_our_own_proposal_of_an_earlier_day_is_not_in_use() -> None:
    assert case(patient(), order(status="draft", intent="proposal")).in_use == ()


def dose(**changes: Any) -> Json:
    one = {
        "resourceType": "MedicationAdministration",
        "id": "dose-1",
        "status": "not-done",
        "medicationCodeableConcept": concept(ATC, "J01CA04"),
        "subject": {"reference": "Patient/infant-1"},
        "effectiveDateTime": DAY_ONE,
    }
    return changed(one, changes)


def test_a_dose_that_was_not_given_is_missed() -> None:
    read = case(patient(), dose())
    assert (read.given, read.refusals) == ((), ())
    assert [(one.medicine, one.at) for one in read.missed] == [("amoxicillin", at(DAY_ONE))]


def test_a_missed_dose_without_a_time_or_of_another_medicine() -> None:
    assert [one.at for one in case(patient(), dose(effectiveDateTime=...)).missed] == [None]
    other = case(patient(), dose(medicationCodeableConcept={"text": "something"}))
    assert (other.missed, other.refusals) == ((), ())
    late = case(patient(), dose(effectiveDateTime="2026-05-09T09:00:00+02:00"))
    assert (late.missed, reasons(late)) == ((), ["future"])


def born(**changes: Any) -> Case:
    return case(patient(**changes))


def birth_time(text: str) -> Json:
    url = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"
    return {"extension": [{"url": url, "valueDateTime": text}]}


def hours(read: Case) -> tuple[int, int] | None:
    return None if read.age is None else read.age.hours


def test_a_birth_date_alone_gives_a_span_of_hours() -> None:
    # Now is 2026-05-01 09:40: born on 30 April, from 00:00 to the end of that day.
    assert hours(born(birthDate="2026-04-30")) == (9, 33)
    assert hours(born(birthDate="2026-05-01")) == (0, 9)


def test_a_birth_time_gives_exact_hours() -> None:
    exact = birth_time("2026-04-30T11:10:00+02:00")
    assert hours(born(birthDate="2026-04-30", _birthDate=exact)) == (22, 22)


@pytest.mark.parametrize("text", ["2026-04-29T11:10:00+02:00", "2026-05-01T11:10:00+02:00"])
def test_a_birth_time_that_does_not_fit_is_refused(text: str) -> None:
    read = born(birthDate=text[:10].replace("29", "30"), _birthDate=birth_time(text))
    assert reasons(read) == ["birth-time-contradicts"]
    assert hours(read) == ((9, 33) if "29" in text else (0, 9))


@pytest.mark.parametrize(
    "beside",
    [{"id": "a"}, {"extension": [{"url": "http://tolm-ford.example/source", "valueCode": "x"}]},
     birth_time("2026-04-30")],
)  # fmt: skip
def test_other_extensions_of_the_birth_date_say_no_hour(beside: Json) -> None:
    assert hours(born(birthDate="2026-04-30", _birthDate=beside)) == (9, 33)


def test_a_measured_age_says_no_hours() -> None:
    age = {
        "resourceType": "Observation",
        "id": "age-1",
        "status": "final",
        "code": concept("http://loinc.org", "30525-0"),
        "subject": {"reference": "Patient/infant-1"},
        "effectiveDateTime": NOW.isoformat(),
        "valueQuantity": quantity(30, "h"),
    }
    assert hours(case(patient(birthDate=...), age)) is None


def test_everything_that_came_before_is_part_of_the_identity_and_of_no_order() -> None:
    orders = [order(), order(id="order-2", authoredOn="2026-04-29T09:00:00+02:00")]
    classes = [condition(), condition(id="class-2", recordedDate="2026-04-27T09:00:00+02:00")]
    doses = [dose(), dose(id="dose-2", effectiveDateTime="2026-04-29T09:00:00+02:00")]
    whole = [*orders, *classes, *doses]
    one, other = case(patient(), *whole), case(patient(), *reversed(whole))
    assert canonical(one) == canonical(other)
    for missing in whole:
        rest = [each for each in whole if each is not missing]
        assert canonical(case(patient(), *rest)) != canonical(one)
    longer = order(dosageInstruction=[repeat(frequency=3)])
    assert canonical(case(patient(), longer)) != canonical(case(patient(), order()))
