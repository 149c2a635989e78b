"""The reasons behind an answer: which tests decided it, on which of the caller's resources."""

from decimal import Decimal

from cds_service.case import Answer, Origin, negated
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
from cds_service.engine.computed import Known, computed
from cds_service.engine.conditions import evaluate
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
    if isinstance(condition, Group):
        turned = negated(wanted) if condition.kind == "none" else wanted
        return tuple(
            test for item in condition.items for test in reasons(item, facts, turned, row=row)
        )
    if evaluate(condition, facts, row=row) is not wanted:
        return ()
    if isinstance(condition, FindingTest) and condition.code.startswith(ABOUT_CLASSES):
        return (_about_class(condition, facts, wanted),)
    if isinstance(condition, FindingTest):
        what = Message("test.finding", (("sign", Message(f"sign.{condition.code}")),))
        origins = facts.origins.get(condition.code, ())
        return (Test(what, wanted, condition.cite, condition.code, origins),)
    return (
        Test(
            _words(condition, facts),
            wanted,
            condition.cite,
            _asked_for(condition, facts),
            _origins(condition, facts),
        ),
    )


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


def _words(test: MeasureTest, facts: Facts) -> Message:
    values: tuple[tuple[str, str | Message], ...] = (
        ("measure", Message(f"measure.{test.measure}")),
        ("op", Message(f"op.{test.op}")),
        ("limit", said(test.limit)),
        ("value", _value(test, facts)),
    )
    return Message("test.measure-confirmed" if test.confirmed else "test.measure", values)


def _value(test: MeasureTest, facts: Facts) -> Message | str:
    if test.measure == "age":
        return _age_words(facts)
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


def _age_words(facts: Facts) -> Message:
    if facts.age is None:
        return Message("not-recorded")
    if facts.age.low == facts.age.high:
        return Message("age.days", (("days", str(facts.age.low)),))
    return Message("age.span", (("low", str(facts.age.low)), ("high", str(facts.age.high))))


def _origins(test: MeasureTest, facts: Facts) -> tuple[Origin, ...]:
    if test.measure in ("age", "age-hours"):
        return (facts.age.origin,) if facts.age is not None else ()
    if test.measure == DAY:
        return tuple(each.origin for each in facts.case.earlier if each.code == test.since)
    readings = facts.series if test.confirmed else facts.values
    kind = _MEASURED_BY.get(test.measure, test.measure)
    return tuple(sorted({reading.origin for reading in readings.get(kind, ())[-2:]}))
