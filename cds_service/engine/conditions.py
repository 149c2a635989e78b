"""Three-valued evaluation of a condition over the facts, with the tests behind the answer.

Logic: Kleene's strong three-valued logic (the one of SQL, FHIRPath and CQL): one YES settles
"any", one NO settles "all", and an unknown never counts as absent.
"""

from decimal import Decimal

from cds_service.case import Answer, Measurement, Origin, all_of, any_of, negated
from cds_service.content.model import Condition, FindingTest, Group, MeasureTest, Message
from cds_service.engine.facts import Facts
from cds_service.engine.model import Test


def holds(condition: Condition, facts: Facts) -> bool:
    """Whether the condition is known to hold."""
    return evaluate(condition, facts) is Answer.YES


def evaluate(condition: Condition, facts: Facts, *, row: bool = False) -> Answer:
    """Evaluate a condition. `row`: a sign that is not required counts as NO when unknown.

    That is how a classification table is read (clinical content, section 1): the further
    critical signs count only when present. Everywhere else an unknown stays unknown.
    """
    if isinstance(condition, FindingTest):
        return _finding(condition, facts, row=row)
    if isinstance(condition, MeasureTest):
        return _measure(condition, facts, row=row)
    return _group(condition, [evaluate(item, facts, row=row) for item in condition.items])


def _group(group: Group, answers: list[Answer]) -> Answer:
    if group.kind == "all":
        return all_of(answers)
    if group.kind == "any":
        return any_of(answers)
    if group.kind == "none":
        return negated(any_of(answers))
    yes = answers.count(Answer.YES)
    if yes >= group.count:
        return Answer.YES
    possible = yes + answers.count(Answer.NOT_ASSESSED)
    return Answer.NOT_ASSESSED if possible >= group.count else Answer.NO


def _finding(test: FindingTest, facts: Facts, *, row: bool) -> Answer:
    answer = fact(test.code, facts)
    if answer is Answer.NOT_ASSESSED and row and not is_required(test.code, facts):
        answer = Answer.NO
    return answer if test.expect is Answer.YES else negated(answer)


def fact(code: str, facts: Facts) -> Answer:
    """The answer to a sign or a derived fact."""
    derived = facts.protocol.derived_by_code.get(code)
    if derived is None:
        return facts.answer(code)
    for condition in derived.first_known:
        answer = evaluate(condition, facts)
        if answer is not Answer.NOT_ASSESSED:
            return answer
    return derived.otherwise


def is_required(code: str, facts: Facts) -> bool:
    """Whether an unknown answer to this sign leaves a row open."""
    sign = facts.protocol.sign_by_code.get(code)
    if sign is None:
        return True
    return sign.required or any(facts.is_yes(other) for other in sign.required_when)


def _measure(test: MeasureTest, facts: Facts, *, row: bool) -> Answer:
    if test.measure == "age":
        age = facts.age
        return Answer.NOT_ASSESSED if age is None else _over_span(test, age.low, age.high, "d")
    if test.measure == "postmenstrual-age":
        span = facts.gestation_now()
        return Answer.NOT_ASSESSED if span is None else _over_span(test, *span, "d")
    measure = facts.protocol.measure_by_code[test.measure]
    series = facts.series.get(test.measure, ())
    if not series:
        return Answer.NO if row and not measure.required else Answer.NOT_ASSESSED
    if measure.repeat_within is None:
        return any_of([_reading(test, reading, facts) for reading in facts.values[test.measure]])
    if not test.confirmed:
        return any_of([_reading(test, reading, facts) for reading in series])
    return _confirmed(test, series, measure.repeat_within.quantity.to("min").value)


def _over_span(test: MeasureTest, low: Decimal | int, high: Decimal | int, unit: str) -> Answer:
    limit = test.limit.quantity.to(unit).value
    answers = {_compare(test.op, Decimal(low), limit), _compare(test.op, Decimal(high), limit)}
    return answers.pop() if len(answers) == 1 else Answer.NOT_ASSESSED


def _reading(test: MeasureTest, reading: Measurement, facts: Facts) -> Answer:
    answer = _compare(test.op, reading.quantity.value, test.limit.value)
    sites = facts.protocol.measure_by_code[test.measure].sites_that_exclude
    if answer is Answer.NO and reading.site is not None and sites and reading.site not in sites:
        return Answer.NOT_ASSESSED  # an inner temperature can show the sign, never rule it out
    return answer


def _confirmed(test: MeasureTest, series: tuple[Measurement, ...], within: Decimal) -> Answer:
    """Two counts at most `within` minutes apart must both pass; one that does asks for another."""
    last = _compare(test.op, series[-1].quantity.value, test.limit.value)
    if len(series) == 1 or not _near(series[-2], series[-1], within):
        return Answer.NO if last is Answer.NO else Answer.NOT_ASSESSED
    return all_of([last, _compare(test.op, series[-2].quantity.value, test.limit.value)])


def _near(first: Measurement, second: Measurement, within: Decimal) -> bool:
    if first.at is None or second.at is None:
        return True
    return Decimal((second.at - first.at).total_seconds()) <= within * 60


def _compare(op: str, value: Decimal, limit: Decimal) -> Answer:
    passed = {
        "below": value < limit,
        "at-most": value <= limit,
        "at-least": value >= limit,
        "above": value > limit,
    }[op]
    return Answer.YES if passed else Answer.NO


def tests(condition: Condition, facts: Facts, wanted: Answer) -> tuple[Test, ...]:
    """The tests in `condition` that came out as `wanted` (the ones that decide its answer)."""
    if isinstance(condition, Group):
        turned = negated(wanted) if condition.kind == "none" else wanted
        return tuple(test for item in condition.items for test in tests(item, facts, turned))
    if evaluate(condition, facts, row=True) is not wanted:
        return ()
    if isinstance(condition, FindingTest):
        what = Message("test.finding", (("sign", Message(f"sign.{condition.code}")),))
        origins = facts.origins.get(condition.code, ())
        return (Test(what, wanted, condition.cite, condition.code, origins),)
    return (
        Test(
            _words(condition, facts),
            wanted,
            condition.cite,
            condition.measure,
            _origins(condition, facts),
        ),
    )


def _words(test: MeasureTest, facts: Facts) -> Message:
    values: tuple[tuple[str, str | Message], ...] = (
        ("measure", Message(f"measure.{test.measure}")),
        ("op", Message(f"op.{test.op}")),
        ("limit", str(test.limit.quantity)),
        ("value", _value(test, facts)),
    )
    return Message("test.measure-confirmed" if test.confirmed else "test.measure", values)


def _value(test: MeasureTest, facts: Facts) -> Message | str:
    if test.measure == "age":
        return _age_words(facts)
    readings = facts.series if test.confirmed else facts.values
    found = readings.get(test.measure, ())[-2:]
    return ", ".join(str(reading.quantity) for reading in found) or Message("not-recorded")


def _age_words(facts: Facts) -> Message:
    if facts.age is None:
        return Message("not-recorded")
    if facts.age.low == facts.age.high:
        return Message("age.days", (("days", str(facts.age.low)),))
    return Message("age.span", (("low", str(facts.age.low)), ("high", str(facts.age.high))))


def _origins(test: MeasureTest, facts: Facts) -> tuple[Origin, ...]:
    if test.measure == "age":
        return (facts.age.origin,) if facts.age is not None else ()
    readings = facts.series if test.confirmed else facts.values
    return tuple(sorted({reading.origin for reading in readings.get(test.measure, ())[-2:]}))
