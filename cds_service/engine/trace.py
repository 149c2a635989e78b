"""The reasons behind an answer: which tests decided it, on which of the caller's resources."""

from collections.abc import Callable
from decimal import Decimal

from cds_service.case import Age, Answer, Origin, negated
from cds_service.content.model import (
    ABOUT_CLASSES,
    DAY,
    EARLIER,
    Condition,
    FindingTest,
    Group,
    MeasureTest,
    Message,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.computed import Known, computed
from cds_service.engine.conditions import compiled
from cds_service.engine.facts import Facts
from cds_service.engine.growth import weight_for_age
from cds_service.engine.model import Test
from cds_service.engine.phrase import number
from cds_service.engine.words import reading, said

# What to ask for when a computed measure is unknown.
_ASKED_FOR = {"postmenstrual-age": "gestational-age", "age-hours": "age"}
# The measurement behind a computed measure.
_MEASURED_BY = {"postmenstrual-age": "gestational-age", "weight-for-age": "weight"}
_SHOWN = Decimal("0.01")  # how fine a z-score is printed; it is never judged so


def reasons(
    condition: Condition, facts: Facts, wanted: Answer, *, row: bool = False
) -> tuple[Test, ...]:
    """The tests in `condition` that came out as `wanted` (the ones that decide its answer).

    `row` is that of `conditions.evaluate`.
    """
    found: list[Test] = []
    _teller(condition, facts.protocol)(facts, wanted, row, found)
    return tuple(found)


_Teller = Callable[[Facts, Answer, bool, list[Test]], None]
"""Adds the tests that came out as wanted."""


def _teller(condition: Condition, protocol: Protocol) -> _Teller:
    """The reasons of a condition as a function; made once for each protocol."""
    key = ("teller", id(condition))
    # Kept beside its condition, so that the identity cannot come to mean another one.
    kept: tuple[Condition, _Teller] | None = protocol.made.get(key)
    if kept is None or kept[0] is not condition:
        kept = protocol.made[key] = condition, _make_teller(condition, protocol)
    return kept[1]


def _make_teller(condition: Condition, protocol: Protocol) -> _Teller:
    if isinstance(condition, Group):
        return _of_group(condition, protocol)
    ask = compiled(condition, protocol)
    make = _of_finding(condition) if isinstance(condition, FindingTest) else _of_measure(condition)

    def tell(facts: Facts, wanted: Answer, row: bool, found: list[Test]) -> None:
        if ask(facts, row) is wanted:
            found.append(make(facts, wanted))

    return tell


def _of_group(group: Group, protocol: Protocol) -> _Teller:
    items, turns = [_teller(item, protocol) for item in group.items], group.kind == "none"

    def tell(facts: Facts, wanted: Answer, row: bool, found: list[Test]) -> None:
        turned = negated(wanted) if turns else wanted
        for item in items:
            item(facts, turned, row, found)

    return tell


def _of_finding(test: FindingTest) -> Callable[[Facts, Answer], Test]:
    if test.code.startswith(ABOUT_CLASSES):
        return lambda facts, wanted: _about_class(test, facts, wanted)
    what = Message("test.finding", (("sign", Message(f"sign.{test.code}")),))
    code, cite = test.code, test.cite
    return lambda facts, wanted: Test(what, wanted, cite, code, facts.origins.get(code, ()))


def _of_measure(test: MeasureTest) -> Callable[[Facts, Answer], Test]:
    key = "test.measure-confirmed" if test.confirmed else "test.measure"
    values: tuple[tuple[str, str | Message], ...] = (
        ("measure", Message(f"measure.{test.measure}")),
        ("op", Message(f"op.{test.op}")),
        ("limit", said(test.limit)),
    )

    def make(facts: Facts, wanted: Answer) -> Test:
        what = Message(key, (*values, ("value", _value(test, facts))))
        return Test(what, wanted, test.cite, _asked_for(test, facts), _origins(test, facts))

    return make


def _asked_for(test: MeasureTest, facts: Facts) -> str:
    """The fact that would answer a test."""
    if test.measure == DAY:
        return EARLIER + test.since
    if test.measure != "weight-for-age":
        return _ASKED_FOR.get(test.measure, test.measure)
    if not facts.age_is_inside():
        return "age"
    return "weight" if weight_for_age(facts) is None else "sex"


def _about_class(test: FindingTest, facts: Facts, wanted: Answer) -> Test:
    kind, code = test.code.split(".", 1)
    what = Message(f"test.{kind}", (("class", Message(f"class.{code}")),))
    origins = tuple(each.origin for each in facts.case.earlier if each.code == code)
    return Test(what, wanted, test.cite, test.code, origins if kind != "now" else ())


def _value(test: MeasureTest, facts: Facts) -> Message | str:
    if test.measure == "age":
        return age_words(facts.age)
    if (span := computed(test)) is not None:
        return _span_words(span(facts))
    readings = facts.series if test.confirmed else facts.values
    found = readings.get(test.measure, ())[-2:]
    return ", ".join(reading(each.quantity) for each in found) or Message("not-recorded")


def _span_words(known: Known) -> Message | str:
    if known is None:
        return Message("not-recorded")
    low, high = (
        number(each.quantize(_SHOWN) if isinstance(each, Decimal) else each) for each in known
    )
    return low if low == high else Message("span", (("low", low), ("high", high)))


def age_words(age: Age | None) -> Message:
    """An age in words: a number of days, or between two."""
    if age is None:
        return Message("not-recorded")
    if age.low == age.high:
        return Message("age.days", (("days", str(age.low)),))
    return Message("age.span", (("low", str(age.low)), ("high", str(age.high))))


def _origins(test: MeasureTest, facts: Facts) -> tuple[Origin, ...]:
    if test.measure in ("age", "age-hours"):
        return (facts.age.origin,) if facts.age is not None else ()
    if test.measure == DAY:
        return tuple(each.origin for each in facts.case.earlier if each.code == test.since)
    readings = facts.series if test.confirmed else facts.values
    kind = _MEASURED_BY.get(test.measure, test.measure)
    return tuple(sorted({reading.origin for reading in readings.get(kind, ())[-2:]}))
