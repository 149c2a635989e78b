"""The reasons behind an answer: which tests decided it, on which of the caller's resources."""

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import Age, Answer, Origin, negated
from cds_service.content.memo import once
from cds_service.content.model import (
    ABOUT_CLASSES,
    DAY,
    EARLIER,
    Condition,
    FindingTest,
    Group,
    MeasureTest,
    Message,
    Table,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Test
from cds_service.engine.computed import COMPUTED_UNITS, Known, computed
from cds_service.engine.conditions import Compiled, compiled
from cds_service.engine.facts import Facts
from cds_service.engine.growth import weight_for_age
from cds_service.engine.phrase import days
from cds_service.engine.words import reading, said
from cds_service.quantity import Quantity

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
    teller(condition, facts.protocol)(facts, wanted, row, found)
    return tuple(found)


Teller = Callable[[Facts, Answer, bool, list[Test]], None]
"""Adds the tests that came out as wanted."""
_Maker = Callable[[Facts, Answer], Test]
_Origins = Callable[[Facts], tuple[Origin, ...]]


class _Leaf(NamedTuple):
    """One test of a row: how it is asked, and told when it came out as it has to, to rule out."""

    ask: Compiled
    rules_out: Answer
    make: _Maker
    key: tuple[str, str]
    """Its fact ("" where that depends on the infant) and the limit ("" of a sign)."""
    origins: _Origins
    """What was recorded for it; without that it is no evidence."""


def ruled_out(table: Table, facts: Facts) -> tuple[Test, ...]:
    """What was recorded and rules out the rows of a table, each fact and limit once."""
    found: dict[tuple[str, str], Test] = {}
    overruled = facts.protocol.overruled_facts
    for ask, wanted, make, key, origins in _leaves_of(table, facts.protocol):
        if key in found or not origins(facts) or ask(facts, True) is not wanted:
            continue
        test = make(facts, wanted)
        found.setdefault((test.fact, key[1]), test)
    return tuple([test for test in found.values() if test.fact not in overruled])


def _leaves_of(table: Table, protocol: Protocol) -> list[_Leaf]:
    """The tests of a table's rows, but for those that are never evidence; made once."""
    kept: list[_Leaf] | None = protocol.made.get(("ruled-out", table.code))
    if kept is None:
        overruled = protocol.overruled_facts
        conditions = [row.when for row in table.rows if row.when is not None]
        found = [leaf for when in conditions for leaf in _leaves(when, Answer.NO, protocol)]
        kept = [leaf for leaf in found if leaf.key[0] not in overruled]
        protocol.made["ruled-out", table.code] = kept
    return kept


def _leaves(condition: Condition, wanted: Answer, protocol: Protocol) -> Iterator[_Leaf]:
    if isinstance(condition, Group):
        turned = negated(wanted) if condition.kind == "none" else wanted
        for item in condition.items:
            yield from _leaves(item, turned, protocol)
    elif isinstance(condition, FindingTest):
        ask, make, key = compiled(condition, protocol), _of_finding(condition), (condition.code, "")
        yield _Leaf(ask, wanted, make, key, _origins_of_finding(condition))
    else:
        ask, make = compiled(condition, protocol), _of_measure(condition)
        key = (_fact(condition), str(said(condition.limit)))
        yield _Leaf(ask, wanted, make, key, _origins(condition))


def teller(condition: Condition, protocol: Protocol) -> Teller:
    """The reasons of a condition as a function; made once for each protocol."""
    return once(protocol.made, "teller", condition, lambda each: _make_teller(each, protocol))


def _make_teller(condition: Condition, protocol: Protocol) -> Teller:
    if isinstance(condition, Group):
        return _of_group(condition, protocol)
    ask = compiled(condition, protocol)
    make = _of_finding(condition) if isinstance(condition, FindingTest) else _of_measure(condition)

    def tell(facts: Facts, wanted: Answer, row: bool, found: list[Test]) -> None:
        if ask(facts, row) is wanted:
            found.append(make(facts, wanted))

    return tell


def _of_group(group: Group, protocol: Protocol) -> Teller:
    items, turns = [teller(item, protocol) for item in group.items], group.kind == "none"

    def tell(facts: Facts, wanted: Answer, row: bool, found: list[Test]) -> None:
        turned = negated(wanted) if turns else wanted
        for item in items:
            item(facts, turned, row, found)

    return tell


def _of_finding(test: FindingTest) -> _Maker:
    if test.code.startswith(ABOUT_CLASSES):
        return _about_class(test)
    what = Message("test.finding", (("sign", Message(f"sign.{test.code}")),))
    code, cite = test.code, test.cite
    return lambda facts, wanted: Test(what, wanted, cite, code, facts.origins.get(code, ()))


def _origins_of_finding(test: FindingTest) -> _Origins:
    kind, _, code = test.code.rpartition(".")
    if not kind:
        return lambda facts: facts.origins.get(code, ())
    if kind == "now":
        return lambda _facts: ()
    return lambda facts: tuple(e.origin for e in facts.case.earlier if e.code == code)


def _of_measure(test: MeasureTest) -> _Maker:
    key = "test.measure-confirmed" if test.confirmed else "test.measure"
    values: tuple[tuple[str, str | Message], ...] = (
        ("measure", Message(f"measure.{test.measure}")),
        ("op", Message(f"op.{test.op}")),
        ("limit", said(test.limit)),
    )
    fact, value, origins = _fact(test), _value(test), _origins(test)

    def make(facts: Facts, wanted: Answer) -> Test:
        what = Message(key, (*values, ("value", value(facts))))
        return Test(what, wanted, test.cite, fact or _for_weight(facts), origins(facts))

    return make


def _fact(test: MeasureTest) -> str:
    """The fact that would answer a test; "" where it depends on the infant."""
    if test.measure == DAY:
        return EARLIER + test.since
    return "" if test.measure == "weight-for-age" else _ASKED_FOR.get(test.measure, test.measure)


def _for_weight(facts: Facts) -> str:
    """The fact that would answer a test of the weight for the age."""
    if not facts.age_is_inside():
        return "age"
    return "weight" if weight_for_age(facts) is None else "sex"


def _about_class(test: FindingTest) -> _Maker:
    kind, code = test.code.split(".", 1)
    what = Message(f"test.{kind}", (("class", Message(f"class.{code}")),))
    cite, fact, origins = test.cite, test.code, _origins_of_finding(test)
    return lambda facts, wanted: Test(what, wanted, cite, fact, origins(facts))


def _value(test: MeasureTest) -> Callable[[Facts], Message | str]:
    if test.measure == "age":
        return lambda facts: age_words(facts.age)
    span, kind, confirmed = computed(test), test.measure, test.confirmed
    if span is not None:
        unit = COMPUTED_UNITS[kind]
        return lambda facts: _span_words(span(facts), unit)

    def read(facts: Facts) -> Message | str:
        found = (facts.series if confirmed else facts.values).get(kind, ())[-2:]
        return ", ".join([reading(each.quantity) for each in found]) or Message("not-recorded")

    return read


def _span_words(known: Known, unit: str) -> Message | str:
    if known is None:
        return Message("not-recorded")
    low, high = (_with_unit(each, unit) for each in known)
    return low if low == high else Message("span", (("low", low), ("high", high)))


def _with_unit(value: Decimal | int, unit: str) -> Message | str:
    shown = value.quantize(_SHOWN) if isinstance(value, Decimal) else Decimal(value)
    return said(Quantity(shown, unit))


def age_words(age: Age | None) -> Message:
    """An age in words: a number of days, or between two."""
    if age is None:
        return Message("not-recorded")
    if age.low == age.high:
        return days(age.low)
    return Message("age.span", (("low", str(age.low)), ("high", str(age.high))))


def _origins(test: MeasureTest) -> _Origins:
    if test.measure in ("age", "age-hours"):
        return lambda facts: () if facts.age is None else (facts.age.origin,)
    if test.measure == DAY:
        since = test.since
        return lambda facts: tuple(e.origin for e in facts.case.earlier if e.code == since)
    kind, confirmed = _MEASURED_BY.get(test.measure, test.measure), test.confirmed

    def origins(facts: Facts) -> tuple[Origin, ...]:
        found = (facts.series if confirmed else facts.values).get(kind, ())[-2:]
        if len(found) == 1:
            return (found[0].origin,)
        return tuple(sorted({each.origin for each in found}))

    return origins
