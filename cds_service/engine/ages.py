"""The days on which a condition ends because the infant grows older; the ages are the content's."""

from collections.abc import Iterable
from datetime import date, timedelta
from decimal import ROUND_CEILING
from typing import NamedTuple

from cds_service.case import Answer
from cds_service.content.model import Condition, MeasureTest
from cds_service.content.solve import tests
from cds_service.content.treatment import Protocol
from cds_service.engine.conditions import evaluate
from cds_service.engine.facts import Facts

_DAY = timedelta(days=1)


class Span(NamedTuple):
    """The first and the last day on which something may begin; one day where the age is exact."""

    first: date
    last: date


def lifted(condition: Condition, facts: Facts) -> Span | None:
    """The day on which a condition no longer holds because of the age alone; None: never so."""
    age, today = facts.age, facts.case.as_of.date()
    if age is None:
        return None
    for limit in turning_ages((condition,), facts.protocol):
        last = today + (limit - age.low) * _DAY
        if limit > age.low and evaluate(condition, facts.on(last)) is Answer.NO:
            return Span(max(today, today + (limit - age.high) * _DAY), last)
    return None


def turning_ages(conditions: Iterable[Condition], protocol: Protocol) -> tuple[int, ...]:
    """The ages in days at which a test of the age turns, the youngest first."""
    found = {
        int(test.limit.quantity.to("d").value.to_integral_value(ROUND_CEILING))
        + (test.op in ("at-most", "above"))
        for condition in conditions
        for test in tests(condition, protocol)
        if isinstance(test, MeasureTest) and test.measure == "age"
    }
    return tuple(sorted(found))
