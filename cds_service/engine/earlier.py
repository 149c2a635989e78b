"""What earlier visits left: the classes that were given then, and the signs that are new since.

Clinical content, section 3: a new severe sign at a follow-up visit means that treatment failed.
"""

from collections.abc import Iterator

from cds_service.case import Answer, Measurement
from cds_service.content.model import (
    EARLIER,
    NEW,
    FindingTest,
    Implication,
    MeasureTest,
    finding_tests,
    leaves,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.conditions import OPS
from cds_service.engine.facts import Facts


def about_earlier(facts: Facts) -> None:
    """Keep the classes of earlier visits as facts, and which of them have new signs."""
    for each in facts.case.earlier:
        facts.classes[EARLIER + each.code] = Answer.YES
    if not facts.case.earlier:
        return
    for code in _asked_for_new(facts.protocol):
        row = facts.protocol.row_by_code[code]
        if row.when is not None and any(_is_new(test, facts) for test in leaves(row.when)):
            facts.classes[NEW + code] = Answer.YES


def _asked_for_new(protocol: Protocol) -> tuple[str, ...]:
    """The classes of which some row asks whether a sign is new; worked out once."""
    found: tuple[str, ...] | None = protocol.made.get("asked-for-new")
    if found is None:
        found = protocol.made["asked-for-new"] = tuple(dict.fromkeys(_new_tests(protocol)))
    return found


def _new_tests(protocol: Protocol) -> Iterator[str]:
    for row in protocol.row_by_code.values():
        for test in finding_tests(row.when) if row.when is not None else ():
            if test.code.startswith(NEW):
                yield test.code.removeprefix(NEW)


def _was_absent(code: str, facts: Facts) -> bool:
    """Whether an earlier visit answered NO, or gave another answer that implies it."""
    if code in facts.before:
        return facts.before[code] is Answer.NO
    absent = Implication(code, Answer.NO)
    return any(
        facts.before.get(sign.code) is Answer.YES and absent in sign.implies
        for sign in facts.protocol.implying_signs
    )


def _is_new(test: FindingTest | MeasureTest, facts: Facts) -> bool:
    """Whether a sign is there now that was looked for at an earlier visit and was absent."""
    if isinstance(test, FindingTest):
        return facts.is_yes(test.code) and _was_absent(test.code, facts)
    before, now = facts.before_values.get(test.measure), facts.values.get(test.measure, ())
    if before is None or _passes(test, before):
        return False
    return any(_passes(test, each) for each in now)


def _passes(test: MeasureTest, reading: Measurement) -> bool:
    passes: bool = OPS[test.op](reading.quantity.value, test.limit_in(reading.quantity.unit))
    return passes
