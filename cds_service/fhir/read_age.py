"""A measured age (LOINC 30525-0), for when there is no birth date."""

from calendar import monthrange
from datetime import date, datetime, timedelta
from decimal import ROUND_FLOOR, Decimal

from msgspec import UNSET

from cds_service.case import Age
from cds_service.fhir.codes import UCUM
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.read_patient import span
from cds_service.fhir.terms import units_contradict
from cds_service.fhir.wire_resources import Observation
from cds_service.quantity import Quantity

_LONGEST = {"a": 150, "mo": 1800, "wk": 7800, "d": 54750, "h": 1314000}
"""The units that are read, and an age in each that nobody reaches."""

_TOLERANCE = 1
"""Days by which an age and a birth date may differ (the age may be of another time zone)."""


def read_age(sent: Sent[Observation], at: datetime | None, context: Context) -> None:
    """Add the age at `as_of` that an Observation of an age says, or its refusal."""
    age = _age(sent.resource)
    if age is None:
        context.facts.refuse("age-not-usable", sent.origin, units=", ".join(_LONGEST))
    elif at is None:
        context.facts.refuse("age-without-time", sent.origin)
    else:
        first, last = _born(age, at)
        context.ages.append((at, span(first, last, context.visit.as_of, sent.origin)))


def _age(observation: Observation) -> Quantity | None:
    quantity = observation.value_quantity
    if quantity is UNSET or quantity.number is None or quantity.comparator is not UNSET:
        return None
    unit = quantity.code
    if quantity.system != UCUM or not isinstance(unit, str) or unit not in _LONGEST:
        return None
    if quantity.unit is not UNSET and units_contradict(quantity.unit, unit):
        return None
    within = 0 <= quantity.number <= _LONGEST[unit]
    return Quantity(quantity.number, unit) if within else None


def _born(age: Quantity, at: datetime) -> tuple[date, date]:
    """First and last possible day of birth.

    An age in completed units spans one unit: "3 wk" is 21 to 27 days, "1 mo" is counted by
    the calendar, "30 h" lies between two clock times. Days are exact.
    """
    count, day = _floor(age.value), at.date()
    if age.unit == "h":
        return (at - timedelta(hours=count + 1)).date(), (at - timedelta(hours=count)).date()
    if age.unit in {"mo", "a"}:
        months = 12 if age.unit == "a" else 1
        before = _months_before(day, (count + 1) * months)
        return before + timedelta(days=1), _months_before(day, count * months)
    days = 7 if age.unit == "wk" else 1
    most = (count + 1) * days - 1
    return day - timedelta(days=most), day - timedelta(days=_floor(age.value * days))


def _floor(value: Decimal) -> int:
    return int(value.to_integral_value(rounding=ROUND_FLOOR))


def _months_before(day: date, months: int) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


def settle(
    by_birth_date: Age | None, measured: list[tuple[datetime, Age]], facts: Facts
) -> Age | None:
    """The age to reason with: by the birth date, else all that the latest measured ages allow.

    A measured age that the birth date contradicts is refused, by name. One of the two is wrong
    and it is not known which, so the age is then a span over both.
    """
    if by_birth_date is None:
        return _latest(measured)
    low, high = by_birth_date.low - _TOLERANCE, by_birth_date.high + _TOLERANCE
    others = [age for _, age in measured if age.high < low or age.low > high]
    for age in others:
        facts.refuse("age-contradicts", age.origin)
    if not others or by_birth_date.high < 0:  # a birth after the visit is no age at all
        return by_birth_date
    spans = [by_birth_date, *others]
    low, high = min(age.low for age in spans), max(age.high for age in spans)
    return Age(low, high, by_birth_date.origin)


def _latest(measured: list[tuple[datetime, Age]]) -> Age | None:
    if not measured:
        return None
    last = max(at for at, _ in measured)
    ages = [age for at, age in measured if at == last]
    origin = min(age.origin for age in ages)
    return Age(min(age.low for age in ages), max(age.high for age in ages), origin)
