"""Three-valued evaluation of a condition over the facts, with the tests behind the answer.

Logic: Kleene's strong three-valued logic (the one of SQL, FHIRPath and CQL): one YES settles
"any", one NO settles "all", and an unknown never counts as absent.
"""

import operator
from collections.abc import Callable
from decimal import Decimal

from cds_service.case import Answer, Measurement, negated
from cds_service.content.care import CareItem
from cds_service.content.model import (
    ABOUT_CLASSES,
    Condition,
    Derived,
    FindingTest,
    Group,
    MeasureTest,
    Number,
    Sign,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.computed import COMPUTED_UNITS, Span, computed
from cds_service.engine.facts import Facts

OPS = {
    "below": operator.lt,
    "at-most": operator.le,
    "at-least": operator.ge,
    "above": operator.gt,
}

Compiled = Callable[[Facts, bool], Answer]
"""A condition as a function of the facts and of `row` (see `evaluate`)."""

_YES, _NO, _UNKNOWN = Answer.YES, Answer.NO, Answer.NOT_ASSESSED


def holds(condition: Condition, facts: Facts) -> bool:
    """Whether the condition is known to hold."""
    return compiled(condition, facts.protocol)(facts, False) is _YES


def is_shown(item: CareItem, facts: Facts) -> bool:
    """Whether a care item is told: its `when` is known to hold, its `unless` is not."""
    if item.unless is not None and holds(item.unless, facts):
        return False
    return item.when is None or holds(item.when, facts)


def evaluate(condition: Condition, facts: Facts, *, row: bool = False) -> Answer:
    """Evaluate a condition. `row`: a sign that is not required counts as NO when unknown.

    That is how a classification table is read (clinical content, section 1): the further
    critical signs count only when present. Everywhere else an unknown stays unknown.
    """
    return compiled(condition, facts.protocol)(facts, row)


def compiled(condition: Condition, protocol: Protocol) -> Compiled:
    """The condition as a function of (facts, row); made once for each protocol."""
    # Kept beside its condition, so that the identity cannot come to mean another one.
    kept: tuple[Condition, Compiled] | None = protocol.made.get(id(condition))
    if kept is None or kept[0] is not condition:
        kept = protocol.made[id(condition)] = condition, _compile(condition, protocol)
    return kept[1]


def _compile(condition: Condition, protocol: Protocol) -> Compiled:
    if isinstance(condition, FindingTest):
        return _finding(condition, protocol)
    if isinstance(condition, MeasureTest):
        return _measure(condition, protocol)
    if condition.kind not in ("any", "none"):
        return _group(condition, [compiled(item, protocol) for item in condition.items])
    signs = [_plain_sign(item, protocol) for item in condition.items]
    others = [
        compiled(item, protocol)
        for item, sign in zip(condition.items, signs, strict=True)
        if sign is None
    ]
    plain = [sign for sign in signs if sign is not None]
    # The order of an "any" does not matter for its answer.
    return _group(condition, [_any_sign(plain, protocol), *others] if plain else others)


def _group(group: Group, items: list[Compiled]) -> Compiled:
    if group.kind == "all":
        return _all(items)
    if group.kind == "any":
        return _any(items)
    if group.kind == "none":
        either = _any(items)
        return lambda facts, row: negated(either(facts, row))
    return _at_least(group.count, items)


def _all(items: list[Compiled]) -> Compiled:
    def every(facts: Facts, row: bool) -> Answer:
        result = _YES
        for item in items:
            answer = item(facts, row)
            if answer is _NO:
                return _NO
            if answer is _UNKNOWN:
                result = _UNKNOWN
        return result

    return every


def _any(items: list[Compiled]) -> Compiled:
    if len(items) == 1:
        return items[0]

    def either(facts: Facts, row: bool) -> Answer:
        result = _NO
        for item in items:
            answer = item(facts, row)
            if answer is _YES:
                return _YES
            if answer is _UNKNOWN:
                result = _UNKNOWN
        return result

    return either


def _any_sign(signs: list[Sign], protocol: Protocol) -> Compiled:
    """As `_any` over plain signs, which most rows consist of: one look-up each, no calls."""
    codes = [
        (sign.code, sign.required, sign.required_when, _asks(sign, protocol)) for sign in signs
    ]

    def either(facts: Facts, row: bool) -> Answer:
        result, answers, unsettled = _NO, facts.answers, facts.unsettled
        for code, required, beside, asks in codes:
            answer = answers.get(code)
            if answer is _YES:
                return _YES
            # Also open, whatever the row: what was sent unusably, what is asked beside a YES.
            if answer is None and (
                required or not row or code in unsettled or (beside and asks(facts, beside))
            ):
                result = _UNKNOWN
        return result

    return either


def _asks(sign: Sign, protocol: Protocol) -> Callable[[Facts, tuple[str, ...]], bool]:
    """When a sign that is asked beside others is open: one of them is present, or may be.

    That it may be is enough in a table that asks for both: what is asked of a yellow baby is not
    ruled out before anybody has said whether the baby is yellow.
    """
    return Facts.not_all_no if sign.code in protocol.beside_in_table else Facts.any_yes


def _plain_sign(item: Condition, protocol: Protocol) -> Sign | None:
    """The sign of a test that only asks whether that sign is there."""
    if not isinstance(item, FindingTest) or item.expect is not _YES:
        return None
    return protocol.sign_by_code.get(item.code)


def _at_least(count: int, items: list[Compiled]) -> Compiled:
    def enough(facts: Facts, row: bool) -> Answer:
        answers = [item(facts, row) for item in items]
        yes = answers.count(_YES)
        if yes >= count:
            return _YES
        return _UNKNOWN if yes + answers.count(_UNKNOWN) >= count else _NO

    return enough


def _finding(test: FindingTest, protocol: Protocol) -> Compiled:
    code, wants_yes = test.code, test.expect is _YES
    if code.startswith(ABOUT_CLASSES):
        return lambda facts, _row: facts.classes.get(code, _NO)
    if code in protocol.derived_by_code:
        known = _derived(protocol.derived_by_code[code], protocol)
        return known if wants_yes else lambda facts, row: negated(known(facts, row))
    yes, no = (_YES, _NO) if wants_yes else (_NO, _YES)
    sign = protocol.sign_by_code[code]
    required, beside, asks = sign.required, sign.required_when, _asks(sign, protocol)

    def ask(facts: Facts, row: bool) -> Answer:
        answer = facts.answers.get(code)
        if answer is _YES:
            return yes
        if answer is _NO:
            return no
        if required or not row or code in facts.unsettled or (beside and asks(facts, beside)):
            return _UNKNOWN
        return no

    return ask


def _derived(derived: Derived, protocol: Protocol) -> Compiled:
    conditions = [compiled(condition, protocol) for condition in derived.first_known]

    def first_known(facts: Facts, _row: bool) -> Answer:
        for condition in conditions:
            answer = condition(facts, False)  # an unknown is never NO here, in a row neither
            if answer is not _UNKNOWN:
                return answer
        return derived.otherwise

    return first_known


def _measure(test: MeasureTest, protocol: Protocol) -> Compiled:
    known = _measured(test, protocol)
    if test.if_unknown is _UNKNOWN:
        return known

    def safer(facts: Facts, _row: bool) -> Answer:
        answer = known(facts, False)
        return test.if_unknown if answer is _UNKNOWN else answer

    return safer


def _measured(test: MeasureTest, protocol: Protocol) -> Compiled:
    span = computed(test)
    if span is not None:
        return _span(test, span)
    measure = protocol.measure_by_code[test.measure]
    code, within, sites = measure.code, measure.repeat_within, measure.sites_that_exclude
    passes = OPS[test.op]
    limits = {measure.kept_in(unit): test.limit_in(unit) for unit in measure.units}

    def ask(facts: Facts, row: bool) -> Answer:
        series = facts.series.get(code)
        if series is None:
            is_no = row and not measure.required and code not in facts.unsettled
            return _NO if is_no else _UNKNOWN
        if test.confirmed and within is not None:
            answer = _confirmed(test, series, within)
        else:
            answer = _NO
            for reading in series if within is not None else facts.values[code]:
                if passes(reading.quantity.value, limits[reading.quantity.unit]):
                    return _YES
                # An inner temperature can show the sign, never rule it out.
                if sites and reading.site and reading.site not in sites:
                    answer = _UNKNOWN
        # A value that was sent and cannot be used might have been the sign.
        return _UNKNOWN if answer is _NO and row and code in facts.unsettled else answer

    return ask


def _span(test: MeasureTest, span: Span) -> Compiled:
    limit, compare = _limit(test), OPS[test.op]

    def ask(facts: Facts, _row: bool) -> Answer:
        known = span(facts)
        if known is None:
            return _UNKNOWN
        low, high = compare(known[0], limit), compare(known[1], limit)
        return _UNKNOWN if low != high else _YES if low else _NO

    return ask


def _limit(test: MeasureTest) -> Decimal:
    unit = COMPUTED_UNITS[test.measure]
    return test.limit.value if unit == test.limit.unit else test.limit.quantity.to(unit).value


def _confirmed(test: MeasureTest, series: tuple[Measurement, ...], within: Number) -> Answer:
    """Two counts close enough in time must both pass; one that does asks for another."""
    passes = OPS[test.op]
    last = passes(series[-1].quantity.value, test.limit.value)
    if len(series) == 1 or not _near(series[-2], series[-1], within):
        return _UNKNOWN if last else _NO
    return _YES if last and passes(series[-2].quantity.value, test.limit.value) else _NO


def _near(first: Measurement, second: Measurement, within: Number) -> bool:
    if first.at is None or second.at is None:
        return True
    return Decimal((second.at - first.at).total_seconds()) <= within.quantity.to("min").value * 60
