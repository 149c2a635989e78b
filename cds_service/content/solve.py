"""Can these conditions come out so, for any infant? A small backtracking search.

Unknowns are the signs (YES or NO) and the measures (one sample for each limit and for each
stretch between limits, so that every case that the conditions can tell apart is tried; or not
known). Conditions are read as the engine reads them (Kleene's three-valued logic); a condition
over a part of the unknowns may be open, which is `None` here.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise

from cds_service.case import Answer, all_of, any_of, negated
from cds_service.content.model import Condition, FindingTest, Group, MeasureTest, leaves
from cds_service.content.treatment import Protocol

Value = Answer | Decimal | None
"""An answer, a measured value, or None: not measured."""
World = Mapping[str, Value]
"""What is fixed so far, by code of sign or measure."""

YES = frozenset({Answer.YES})
NO = frozenset({Answer.NO})
NOT_YES = frozenset({Answer.NO, Answer.NOT_ASSESSED})

_COMPARE: dict[str, Callable[[Decimal, Decimal], bool]] = {
    "below": Decimal.__lt__,
    "at-most": Decimal.__le__,
    "at-least": Decimal.__ge__,
    "above": Decimal.__gt__,
}


@dataclass(frozen=True, slots=True)
class Goal:
    """A condition and the answers that are wanted of it."""

    condition: Condition
    wanted: frozenset[Answer]


@dataclass(frozen=True)
class Question:
    """Goals that must all be met at once; `known` measures have a value in every case."""

    protocol: Protocol
    goals: Sequence[Goal]
    known: frozenset[str] = frozenset()
    samples: Mapping[str, Sequence[Value]] = field(default_factory=dict)
    """Samples that replace a measure's own."""

    def answer(self) -> World | None:
        """One case, as far as the goals ask, in which all are met; None when there is none."""
        goals = (*self.goals, *_implications(self.protocol))
        domains = _domains(self.protocol, goals, self.known) | dict(self.samples)
        found = _search(self.protocol, goals, {}, domains)
        if found is None:
            return None
        asked = {
            name
            for goal in self.goals
            for test in tests(goal.condition, self.protocol)
            for name in _asked(test, self.protocol)
        }
        return {name: value for name, value in found.items() if name in asked}


def tests(condition: Condition, protocol: Protocol) -> Iterator[FindingTest | MeasureTest]:
    """The tests of a condition in reading order, with those inside derived facts."""
    for test in leaves(condition):
        yield test
        if isinstance(test, FindingTest) and test.code in protocol.derived_by_code:
            for item in protocol.derived_by_code[test.code].first_known:
                yield from tests(item, protocol)


def _implications(protocol: Protocol) -> list[Goal]:
    """A sign that is YES and what it implies may not contradict each other."""
    goals = []
    for sign in protocol.signs:
        for implied in sign.implies:
            opposite = negated(implied.answer)
            both = (
                FindingTest(sign.code, Answer.YES, sign.cite),
                FindingTest(implied.code, opposite, sign.cite),
            )
            goals.append(Goal(Group("all", both), NO))
    return goals


def _domains(
    protocol: Protocol, goals: Sequence[Goal], known: frozenset[str]
) -> dict[str, Sequence[Value]]:
    limits: dict[str, set[Decimal]] = {}
    for goal in goals:
        for test in tests(goal.condition, protocol):
            if isinstance(test, MeasureTest):
                limits.setdefault(test.measure, set()).add(test.limit.value)
    domains: dict[str, Sequence[Value]] = {}
    overruling = {sign.only_without for sign in protocol.signs if sign.only_without}
    for name in limits.keys() | known | overruling:
        unknown = () if name in known else (None,)
        domains[name] = (*_samples(protocol, name, limits.get(name, set())), *unknown)
    return domains


def _samples(protocol: Protocol, name: str, limits: set[Decimal]) -> list[Decimal]:
    if name == "age":
        top = protocol.age_below.value - 1
        near = {limit + step for limit in limits for step in (-1, 0, 1)}
        return sorted(day for day in near | {Decimal(0), top} if 0 <= day <= top)
    measure = protocol.measure_by_code.get(name)
    ends = {number.value for number in measure.possible} if measure else set[Decimal]()
    if not ends:
        ends = {limit + step for limit in limits for step in (-1, 1)}
    low, high = min(ends), max(ends)
    points = sorted(ends | {limit for limit in limits if low <= limit <= high})
    between = ((a + b) / 2 for a, b in pairwise(points))
    return sorted({*points, *between})


def _search(
    protocol: Protocol, goals: Sequence[Goal], world: World, domains: Mapping[str, Sequence[Value]]
) -> World | None:
    open_goals = []
    for goal in goals:
        answer = _evaluate(goal.condition, world, protocol)
        if answer is None:
            open_goals.append(goal)
        elif answer not in goal.wanted:
            return None
    if not open_goals:
        return world
    name = _next(open_goals[0].condition, world, protocol)
    for value in domains.get(name, (Answer.NO, Answer.YES)):
        found = _search(protocol, open_goals, {**world, name: value}, domains)
        if found is not None:
            return found
    return None


def _next(condition: Condition, world: World, protocol: Protocol) -> str:
    """The first unknown that an open condition still asks for."""
    asked = (name for test in tests(condition, protocol) for name in _asked(test, protocol))
    return next(name for name in asked if name not in world)


def _asked(test: FindingTest | MeasureTest, protocol: Protocol) -> tuple[str, ...]:
    if isinstance(test, MeasureTest):
        return (test.measure,)
    if test.code in protocol.derived_by_code:
        return ()  # what it is made of follows in `tests`
    overruled_by = _overruled_by(test.code, protocol)
    return (overruled_by, test.code) if overruled_by else (test.code,)


def _overruled_by(code: str, protocol: Protocol) -> str:
    """The measure that overrules a sign; a class ("now.<class>") has none and is free here."""
    sign = protocol.sign_by_code.get(code)
    return "" if sign is None else sign.only_without


def _evaluate(condition: Condition, world: World, protocol: Protocol) -> Answer | None:
    if isinstance(condition, Group):
        return _group(condition, [_evaluate(item, world, protocol) for item in condition.items])
    if isinstance(condition, FindingTest):
        answer = _fact(condition.code, world, protocol)
        return answer if answer is None or condition.expect is Answer.YES else negated(answer)
    if condition.measure not in world:
        return None
    value = world[condition.measure]
    if not isinstance(value, Decimal):
        return condition.if_unknown
    return Answer.YES if _COMPARE[condition.op](value, condition.limit.value) else Answer.NO


def _fact(code: str, world: World, protocol: Protocol) -> Answer | None:
    derived = protocol.derived_by_code.get(code)
    if derived is None:
        return _sign(code, world, protocol)
    for condition in derived.first_known:
        answer = _evaluate(condition, world, protocol)
        if answer is not Answer.NOT_ASSESSED:
            return answer
    return derived.otherwise


def _sign(code: str, world: World, protocol: Protocol) -> Answer | None:
    overruled_by = _overruled_by(code, protocol)
    if overruled_by and overruled_by not in world:
        return None
    if overruled_by and world[overruled_by] is not None:
        return Answer.NO
    answer = world.get(code)
    return answer if isinstance(answer, Answer) else None


def _group(group: Group, answers: list[Answer | None]) -> Answer | None:
    known = [answer for answer in answers if answer is not None]
    open_left = len(known) < len(answers)
    if group.kind == "at-least":
        return _at_least(group.count, known, len(answers) - len(known))
    combine, decides = (all_of, Answer.NO) if group.kind == "all" else (any_of, Answer.YES)
    if open_left and decides not in known:
        return None
    answer = combine(known)
    return negated(answer) if group.kind == "none" else answer


def _at_least(count: int, known: list[Answer], open_left: int) -> Answer | None:
    yes, no = known.count(Answer.YES), known.count(Answer.NO)
    if yes >= count:
        return Answer.YES
    if len(known) + open_left - no < count:
        return Answer.NO
    return None if open_left else Answer.NOT_ASSESSED
