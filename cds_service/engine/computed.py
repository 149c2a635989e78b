"""Measures that are worked out from other facts, each as a span from lowest to highest.

A test of such a measure is open while its limit lies inside the span.
"""

from collections.abc import Callable
from decimal import Decimal

from cds_service.case import EarlierClass
from cds_service.content.model import DAY, MeasureTest
from cds_service.engine.facts import Facts
from cds_service.engine.growth import weight_for_age

Known = tuple[Decimal | int, Decimal | int] | None
"""Lowest and highest, or None: nothing is known of it."""
Span = Callable[[Facts], Known]

COMPUTED_UNITS = {
    "age": "d",
    "age-hours": "h",
    DAY: "d",
    "postmenstrual-age": "d",
    "weight-for-age": "{z}",
}
"""The units that the spans are in."""


def computed(test: MeasureTest) -> Span | None:
    """How the measure of a test is worked out; None for a measure that is measured."""
    if test.measure == DAY:
        return lambda facts: day_of_treatment(facts, test.since)
    return _SPANS.get(test.measure)


def day_of_treatment(facts: Facts, code: str) -> Known:
    """The day of treatment, counted from the earlier visit at which the class was given (day 1).

    Of several visits the first counts. Day 0: there was no such visit.
    """
    days = [_day(facts, each) for each in facts.case.earlier if each.code == code] or [0]
    known = [day for day in days if day is not None]
    return (max(known), max(known)) if known else None


def _day(facts: Facts, earlier: EarlierClass) -> int | None:
    if earlier.at is None:
        return None
    return (facts.case.as_of.date() - earlier.at.date()).days + 1


_SPANS: dict[str, Span] = {
    "age": Facts.age_span,
    "age-hours": Facts.hours_span,
    "postmenstrual-age": Facts.gestation_now,
    "weight-for-age": weight_for_age,
}
