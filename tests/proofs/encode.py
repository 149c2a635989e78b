"""The tables as logic: written a second time, from the YAML alone and the rules of reading.

Rules (design, decisions 2 and 3; clinical content, section 1): first row that holds; a sign that
is not required is NO for a row while unknown; an implied answer fills what is unknown and a YES
is never overridden; a felt temperature counts only without a measured one; a temperature of
another site can show the sign, never rule it out; two counts must both pass.
"""

import math
from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import cache
from typing import Any

from tests.proofs.content import Content, group_of, leaves, number, op_of
from tests.proofs.kleene import (
    NO,
    UNKNOWN,
    YES,
    Flag,
    Truth,
    all_of,
    any_of,
    choose,
    every,
    if_then,
    isnt,
    known,
    negated,
    number_of,
    some,
    when,
)
from tests.proofs.world import SCALE, SEXES, Reading, Span, Whole, World

_COMPARE: dict[str, Callable[[Any, Any], Any]] = {
    "below": lambda value, limit: value < limit,
    "at-most": lambda value, limit: value <= limit,
    "at-least": lambda value, limit: value >= limit,
    "above": lambda value, limit: value > limit,
}
_COMPUTED = ("age", "age-hours", "weight-for-age", "postmenstrual-age", "day-of-treatment")


def compare(op: str, value: Whole, limit: Fraction) -> Flag:
    """One value against a limit in the same unit."""
    # No whole number lies between the limit and the next one.
    whole = math.ceil(limit) if op in ("below", "at-least") else math.floor(limit)
    return _COMPARE[op](value, whole)


class Encoded:
    """Every table of a content, over one world."""

    def __init__(self, content: Content, world: World) -> None:
        self.content, self.world = content, world
        self._signs = _effective(content, world)
        self._asked_together = [_signs_of(table) for table in content.tables.values()]
        self.tables: dict[str, dict[str, Truth]] = {}
        """Each row's own answer, by table and class; the last row's follows from the others."""
        self.gates: dict[str, Truth] = {}
        self.now: dict[str, Truth] = {}
        """What is said of each class in the end; YES: it holds."""
        for code, table in content.tables.items():
            self.gates[code] = self._gate(code, table)
            self.tables[code] = self._rows(table)
            self.now |= self._now(self.gates[code], self.tables[code])

    def condition(self, written: Any, *, row: bool = True) -> Truth:
        """A condition; `row`: an unknown that is not required is NO."""
        kind = group_of(written)
        if not kind:
            return self._test(written, row=row)
        items = [self.condition(item, row=row) for item in written[kind]]
        if kind == "all":
            return all_of(items)
        if kind == "of":
            return number_of(int(written["at-least"]), items)
        return any_of(items) if kind == "any" else negated(any_of(items))

    def sign(self, code: str) -> Truth:
        """The settled answer to a sign."""
        return self._signs[code]

    def holds(self, code: str) -> Flag:
        """Whether a class holds."""
        return self.now[code].yes

    def instead(self, code: str, table: dict[str, Any]) -> dict[str, Truth]:
        """What would be said of the classes of a table, were it written so."""
        return self._now(self._gate(code, table), self._rows(table))

    def _gate(self, code: str, table: dict[str, Any]) -> Truth:
        gate = self.condition(table["when"]) if "when" in table else YES
        if table.get("unless-severe") == "true":
            return when(some(self._severe_above(code)), NO, gate)
        return gate

    def _severe_above(self, code: str) -> Iterable[Flag]:
        for above, table in self.content.tables.items():
            if above == code:
                return
            for row in table["rows"]:
                if row.get("severe") == "true":
                    yield self.now[row["class"]].yes

    def _rows(self, table: dict[str, Any]) -> dict[str, Truth]:
        rows: dict[str, Truth] = {}
        for row in table["rows"]:
            above = any_of(rows.values())
            rows[row["class"]] = self.condition(row["when"]) if "when" in row else negated(above)
        return rows

    def _now(self, gate: Truth, rows: dict[str, Truth]) -> dict[str, Truth]:
        found: dict[str, Truth] = {}
        above: list[Flag] = []
        for code, answer in rows.items():
            reached = isnt(some(above))
            found[code] = Truth(
                every((gate.yes, reached, answer.yes)),
                some((gate.no, every((gate.yes, some((isnt(reached), answer.no)))))),
            )
            above.append(answer.yes)
        return found

    def _test(self, test: Any, *, row: bool) -> Truth:
        if isinstance(test, str):
            return self._finding(test, row=row)
        if "finding" in test:
            answer = self._finding(test["finding"], row=row)
            return negated(answer) if test.get("is") == "no" else answer
        if "now" in test:
            return self.now.get(test["now"], NO)  # a table below has not been read yet
        if "earlier" in test:
            there = self.world.earlier[test["earlier"]].there
            return Truth(there, isnt(there))
        if "new" in test:
            new = self._new(test["new"])
            return Truth(new, isnt(new))
        return self._measure(test, row=row)

    def _finding(self, code: str, *, row: bool) -> Truth:
        if code in self.content.derived:
            answer = self._derived(self.content.derived[code])
            asked: Flag = True
        else:
            answer, asked = self.sign(code), self._is_asked(code)
        return Truth(answer.yes, some((answer.no, every((row, isnt(known(answer)), isnt(asked))))))

    def _is_asked(self, code: str) -> Flag:
        required = self.content.signs[code].get("required", [])
        if required == "always":
            return True
        # Where one table asks for both, the other has to be NO before this one counts as NO.
        if any(code in table and table.intersection(required) for table in self._asked_together):
            return some(isnt(self.sign(other).no) for other in required)
        return some(self.sign(other).yes for other in required)

    def _derived(self, written: dict[str, Any]) -> Truth:
        answer = YES if written["otherwise"] == "yes" else NO
        for condition in reversed(written["first-known"]):
            first = self.condition(condition, row=False)
            answer = when(known(first), first, answer)
        return answer

    def _new(self, code: str) -> Flag:
        """A sign of the class is there that was looked for at an earlier visit and was absent."""
        _, row = self.content.row(code)
        came_before = some(each.there for each in self.world.earlier.values())
        return every((came_before, some(self._is_new(test) for test in leaves(row["when"]))))

    def _is_new(self, test: Any) -> Flag:
        code = test if isinstance(test, str) else test.get("finding", "")
        if code:
            return every((self.sign(code).yes, self._was_absent(code)))
        kind, op, limit = test["measure"], op_of(test), scaled(test)
        then, now = self.world.before_values[kind], self.world.last[kind]
        was, passes = compare(op, then.value, limit), compare(op, now.value, limit)
        return every((then.there, isnt(was), now.there, passes))

    def _was_absent(self, code: str) -> Flag:
        """An earlier visit answered NO, or gave another answer that implies it."""
        before = self.world.before
        implied = some(
            before[other].yes
            for other, sign in self.content.signs.items()
            if sign.get("implies", {}).get(code) == "no"
        )
        return some((before[code].no, every((isnt(before[code].yes), implied))))

    def _measure(self, test: dict[str, Any], *, row: bool) -> Truth:
        if "if-unknown" in test:
            answer = self._compared(test, row=False)
            return when(known(answer), answer, YES if test["if-unknown"] == "yes" else NO)
        return self._compared(test, row=row)

    def _compared(self, test: dict[str, Any], *, row: bool) -> Truth:
        computed = test["measure"] in _COMPUTED
        return self._computed(test) if computed else self._measured(test, row=row)

    def _measured(self, test: dict[str, Any], *, row: bool) -> Truth:
        kind = test["measure"]
        last, first = self.world.last[kind], self.world.first.get(kind)
        if test.get("confirmed") == "true" and first is not None:
            answer = self._confirmed(test, last, first)
        else:
            answer = self._reading(test, last)
            if first is not None:
                answer = when(first.there, any_of((answer, self._reading(test, first))), answer)
        counts = self.content.measures[kind].get("required") == "always"
        missing = NO if row and not counts else UNKNOWN
        return when(last.there, answer, missing)

    def _reading(self, test: dict[str, Any], reading: Reading) -> Truth:
        passes = compare(op_of(test), reading.value, scaled(test))
        inner = "sites-that-exclude" in self.content.measures[test["measure"]]
        excludes = isnt(reading.inner) if inner else True
        return Truth(passes, every((isnt(passes), excludes)))

    def _confirmed(self, test: dict[str, Any], last: Reading, first: Reading) -> Truth:
        op, limit = op_of(test), scaled(test)
        now, before = compare(op, last.value, limit), compare(op, first.value, limit)
        pair = every((first.there, isnt(self.world.far_apart[test["measure"]])))
        return Truth(
            every((pair, now, before)),
            some((isnt(now), every((pair, isnt(before))))),
        )

    def _computed(self, test: dict[str, Any]) -> Truth:
        if test["measure"] == "weight-for-age":
            return self._weight_for_age(test)
        span, per_unit = self._span(test)
        op, limit = op_of(test), number(test[op_of(test)])[0] * per_unit
        low, high = compare(op, span.low, limit), compare(op, span.high, limit)
        return Truth(every((span.there, low, high)), every((span.there, isnt(low), isnt(high))))

    def _span(self, test: dict[str, Any]) -> tuple[Span, int]:
        """The span of a computed measure, and how many of its steps are in the limit's unit."""
        world, kind = self.world, test["measure"]
        if kind == "age":
            return world.age, 1
        if kind == "age-hours":
            return world.hours, 1
        if kind == "day-of-treatment":
            earlier = world.earlier[test["since"]]
            day = choose(earlier.there, earlier.day, 0)  # day 0: there was no such visit
            return Span(some((isnt(earlier.there), earlier.dated)), day, day), 1
        born = world.last["gestational-age"]  # thousandths of a week
        low, high = (7 * born.value + SCALE * age for age in (world.age.low, world.age.high))
        return Span(every((born.there, world.age.there)), low, high), 7 * SCALE

    def _weight_for_age(self, test: dict[str, Any]) -> Truth:
        world, op = self.world, op_of(test)
        weight = world.last["weight"]
        limits = heavier(self.content, number(test[op])[0])
        possible = [
            (every((is_sex, is_day)), compare(op, weight.value, limits[sex][day]))
            for sex, is_sex in _sexes(world)
            for day, is_day in _days(world, len(limits[sex]))
        ]
        there = every((weight.there, world.age.there))
        return Truth(
            every((there, *(if_then(may_be, passes) for may_be, passes in possible))),
            every((there, *(if_then(may_be, isnt(passes)) for may_be, passes in possible))),
        )


def scaled(test: dict[str, Any]) -> Fraction:
    """The limit of a test in thousandths of its unit."""
    return number(test[op_of(test)])[0] * SCALE


def _signs_of(table: dict[str, Any]) -> set[str]:
    """The signs that the rows of a table test."""
    tests = [test for row in table["rows"] if "when" in row for test in leaves(row["when"])]
    return {test if isinstance(test, str) else test.get("finding", "") for test in tests}


def _effective(content: Content, world: World) -> dict[str, Truth]:
    """Answers after the implications and after what a measurement overrules."""
    signs = dict(world.signs)
    for code, sign in content.signs.items():
        for implied, answer in sign.get("implies", {}).items():
            cause, old = signs[code].yes, signs[implied]
            signs[implied] = (
                Truth(some((old.yes, cause)), every((old.no, isnt(cause))))
                if answer == "yes"
                else Truth(old.yes, some((old.no, every((cause, isnt(old.yes))))))
            )
    for code, sign in content.signs.items():
        if "only-without" in sign:
            reading = world.last[sign["only-without"]]
            overruled = every((reading.there, isnt(reading.inner)))
            signs[code] = when(overruled, NO, signs[code])
    return signs


def _sexes(world: World) -> Iterable[tuple[str, Flag]]:
    is_male = {"male": world.male, "female": isnt(world.male)}
    return [(sex, if_then(world.sex, is_male[sex])) for sex in SEXES]


def _days(world: World, count: int) -> Iterable[tuple[int, Flag]]:
    """The youngest and the oldest day that the infant may be."""
    ends = (world.age.low, world.age.high)
    return [(day, some(end == day for end in ends)) for day in range(count)]


def heavier(content: Content, z: Fraction) -> dict[str, list[Fraction]]:
    """The weight in grams at a z-score, by sex and day of age."""
    return {sex: [_weight_at(lms, z) for lms in content.growth[sex]] for sex in SEXES}


@cache
def _weight_at(lms: tuple[str, str, str], z: Fraction) -> Fraction:
    """M (1 + L S z) ** (1 / L); clinical content, section 7 (WHO Child Growth Standards)."""
    power, median, spread = (float(one) for one in lms)
    return Fraction(SCALE * median * (1 + power * spread * float(z)) ** (1 / power))


def expected(content: Content, world: World) -> tuple[dict[str, str], dict[str, str]]:
    """The class of each table, and each row that is come to, by the encoding."""
    encoded = Encoded(content, world)
    classes, rows = {}, {}
    for table, answers in encoded.tables.items():
        gate = encoded.gates[table]
        if not (gate.yes or gate.no):
            rows[next(iter(answers))] = "not-assessed"
        for code, answer in answers.items() if gate.yes else ():
            if answer.yes or answer.no or "when" in content.row(code)[1]:
                rows[code] = "yes" if answer.yes else "no" if answer.no else "not-assessed"
            if answer.yes:
                classes[table] = code
                break
    return classes, {c: said for c, said in rows.items() if _is_shown(content, c, said)}


def _is_shown(content: Content, code: str, said: str) -> bool:
    """The last row, which is what the others leave over, is shown only when it holds."""
    return "when" in content.row(code)[1] or said == "yes"
