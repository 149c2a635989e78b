"""Age as a span of days (clinical content, section 5, "age": derived)."""

from datetime import timedelta

import pytest

from cds_service.case import Age, Case
from cds_service.errors import MalformedRequest, UnusableRequest
from tests.fhir.sending import (
    AS_OF,
    NOW,
    bundle,
    case,
    measured,
    parameters,
    patient,
    quantity,
    reasons,
    request,
)

LIMIT = 60
"""W24: the protocol is for infants of 0-59 days."""


def age_of(born: str, as_of: str = AS_OF) -> tuple[int, int]:
    age = request(parameters(bundle(patient(birthDate=born)), as_of=as_of)).case.age
    assert age is not None
    return age.low, age.high


def test_the_day_of_birth_is_day_zero() -> None:
    assert age_of("2026-05-01") == (0, 0)


def test_age_is_by_the_local_date_of_the_visit() -> None:
    assert age_of("2026-04-30", "2026-05-01T00:30:00+02:00") == (1, 1)
    assert age_of("2026-04-30", "2026-04-30T22:30:00Z") == (0, 0)


def test_a_month_of_birth_is_a_span() -> None:
    assert age_of("2026-04") == (1, 30)


def test_the_days_to_come_are_no_part_of_the_span() -> None:
    assert age_of("2026-05") == (0, 0)
    assert age_of("2026") == (0, 120)


def test_the_last_day_of_the_protocol_is_day_59() -> None:
    born = NOW.date() - timedelta(days=LIMIT - 1)
    assert age_of(born.isoformat()) == (59, 59)


@pytest.mark.parametrize("born", ["2026-03-02", "2026-02", "2025"])
def test_a_child_who_is_certainly_older_belongs_to_another_protocol(born: str) -> None:
    with pytest.raises(UnusableRequest) as caught:
        age_of(born)
    (problem,) = caught.value.problems
    assert "0 to 59 days" in problem.what
    assert "older child" in problem.remedy


def test_a_child_who_may_be_older_keeps_the_span() -> None:
    assert age_of("2026-03") == (31, 61)


@pytest.mark.parametrize("born", ["2026-05-02", "2026-06", "2027"])
def test_a_birth_after_the_visit_is_a_mistake(born: str) -> None:
    with pytest.raises(UnusableRequest) as caught:
        age_of(born)
    assert "birth date" in caught.value.problems[0].what


def test_without_a_birth_date_the_age_is_unknown() -> None:
    assert case(patient(birthDate=...)).age is None


def told_age(value: object, unit: str, at: str = AS_OF, **changes: object) -> Case:
    sent = measured("age-1", "30525-0", value, unit, effectiveDateTime=at, **changes)
    return case(patient(birthDate=...), sent)


@pytest.mark.parametrize(
    ("value", "unit", "span"),
    [
        (5, "d", (5, 5)),
        (5.5, "d", (5, 5)),
        (0, "d", (0, 0)),
        (3, "wk", (21, 27)),
        (2.5, "wk", (17, 20)),
        (1, "mo", (30, 60)),  # 1 May 2026 - 2 March 2026 is 60 days, - 1 April 30
        (0, "mo", (0, 29)),
        (0, "a", (0, 364)),
        (30, "h", (1, 1)),  # born 1 h to 2 h before 05:00 of the day before
        (9, "h", (0, 1)),  # born between 23:40 and 00:40
    ],
)
def test_a_measured_age_is_a_span_of_its_unit(
    value: object, unit: str, span: tuple[int, int]
) -> None:
    age = told_age(value, unit).age
    assert age is not None
    assert (age.low, age.high) == span


def test_a_measured_age_grows_until_the_visit() -> None:
    age = told_age(5, "d", at="2026-04-28T12:00:00+02:00").age
    assert age is not None
    assert (age.low, age.high) == (8, 8)


def test_a_measured_age_of_60_days_belongs_to_another_protocol() -> None:
    with pytest.raises(UnusableRequest):
        told_age(60, "d")


@pytest.mark.parametrize(
    ("value", "unit"), [(-1, "d"), (3, "min"), (3, "kg"), (1e19, "mo"), (200, "a"), (10**9, "h")]
)
def test_an_age_that_is_none_is_refused(value: object, unit: str) -> None:
    read = told_age(value, unit)
    assert (read.age, reasons(read)) == (None, ["age-not-usable"])


def test_an_age_without_a_number_is_refused() -> None:
    assert reasons(told_age(1, "d", valueQuantity=..., valueString="five days")) == [
        "age-not-usable"
    ]


def test_an_age_without_a_time_cannot_be_moved_to_the_visit() -> None:
    sent = measured("age-1", "30525-0", 5, "d", effectiveDateTime=...)
    assert reasons(case(patient(birthDate=...), sent)) == ["age-without-time"]


def test_the_latest_age_counts_and_two_at_once_are_a_span() -> None:
    ages = [
        measured("age-1", "30525-0", 30, "d", effectiveDateTime="2026-04-30T09:00:00+02:00"),
        measured("age-2", "30525-0", 3, "wk"),
        measured("age-3", "30525-0", 20, "d"),
    ]
    age = case(patient(birthDate=...), *ages).age
    assert age is not None
    assert (age.low, age.high) == (20, 27)


def test_an_age_that_contradicts_the_birth_date_makes_a_span_over_both() -> None:
    apart = case(patient(), measured("age-1", "30525-0", 1, "wk"))
    assert apart.age == Age(7, 19)
    assert reasons(apart) == ["age-contradicts"]
    older = case(patient(), measured("age-1", "30525-0", 70, "d"))
    assert older.age == Age(19, 70)


def test_a_birth_date_after_the_visit_is_not_mended_by_a_measured_age() -> None:
    with pytest.raises(UnusableRequest):
        case(patient(birthDate="2026-05-04"), measured("age-1", "30525-0", 9, "d"))


def test_an_age_of_two_units_is_not_read() -> None:
    sent = {**quantity(5, "d"), "unit": "weeks"}
    assert reasons(told_age(5, "d", valueQuantity=sent)) == ["age-not-usable"]
    alike = told_age(5, "d", valueQuantity={**quantity(5, "d"), "unit": "days"})
    assert (alike.age, reasons(alike)) == (Age(5, 5), [])


def test_the_birth_date_goes_before_a_measured_age() -> None:
    near = case(patient(), measured("age-1", "30525-0", 18, "d"))
    assert (near.age.low if near.age else None, reasons(near)) == (19, [])


def test_a_birth_date_has_no_time_of_day() -> None:
    with pytest.raises(MalformedRequest) as caught:
        age_of("2026-04-12T10:00:00Z")
    assert caught.value.problems[0].expression.endswith("entry[0].resource.birthDate")
