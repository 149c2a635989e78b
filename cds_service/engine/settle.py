"""Which reading counts, when several were sent, and what follows from it.

The rules of reading (design, "The outside", In): the latest reading of this visit wins; a
contradiction is reported; an explicit danger sign YES is never overridden by another value or
by an implication. Unknown stays NOT_ASSESSED.
"""

from datetime import datetime
from decimal import Decimal
from typing import TypeVar

from cds_service.case import Answer, Case, Finding, Measurement, Origin
from cds_service.content.model import MeasureTest, Message, Sign, leaves
from cds_service.content.treatment import Protocol
from cds_service.engine import words
from cds_service.engine.assessment_model import Caution
from cds_service.engine.conditions import OPS
from cds_service.engine.facts import Facts, hours_old

R = TypeVar("R", Finding, Measurement)


def settle(case: Case, protocol: Protocol) -> Facts:
    """Settle every reading of the case into one answer or value each."""
    unsettled = frozenset(refusal.code for refusal in case.refusals if refusal.code)
    facts = Facts(case, protocol, unsettled=unsettled)
    oldest = visit_begins(case, protocol)
    _settle_measures(facts, oldest)
    _settle_findings(facts, oldest)
    _imply(facts)
    _overrule(facts)
    for code in unsettled:
        if facts.answers.get(code) is Answer.NO:
            # What cannot be used might have been a YES: the question is open again.
            del facts.answers[code]
    return facts


def visit_begins(case: Case, protocol: Protocol) -> datetime:
    """The earliest moment that belongs to this visit."""
    oldest = case.as_of - protocol.visit_time
    return oldest if case.visit_start is None else max(oldest, case.visit_start)


def _of_this_visit(at: datetime | None, oldest: datetime) -> bool:
    # A reading without a time came with this request: it is taken as of this visit.
    return at is None or at >= oldest


def _settle_measures(facts: Facts, oldest: datetime) -> None:
    by_kind: dict[str, list[Measurement]] = {}
    for reading in facts.case.measurements:
        measure = facts.protocol.measure_by_code[reading.kind]
        if measure.lasting or _of_this_visit(reading.at, oldest):
            by_kind.setdefault(reading.kind, []).append(reading)
        else:
            _keep_old(facts.before_values, reading.kind, reading)
    for kind, readings in by_kind.items():
        ordered = _ordered(readings)
        facts.series[kind] = ordered
        facts.values[kind] = _latest(ordered)
        _note_measure(facts, kind)
        _note_unit(facts, kind)
        if len(ordered) > 1:
            _note_passed_over(facts, kind)
    _use_birth_weight(facts)
    for kind, reading in facts.before_values.items():
        if kind not in by_kind:
            _note_old(facts, f"measure.{kind}", reading.origin)


def _keep_old(kept: dict[str, R], code: str, reading: R) -> None:
    """Of readings of earlier visits the latest is kept: what is new since is seen by it."""
    known = kept.get(code)
    if known is None or _age_order(known) < _age_order(reading):
        kept[code] = reading


def _age_order(reading: Finding | Measurement) -> tuple[float, str]:
    stamp = reading.at.timestamp() if reading.at is not None else 0.0
    told = reading.answer.value if isinstance(reading, Finding) else str(reading.quantity)
    return stamp, told


def _use_birth_weight(facts: Facts) -> None:
    """Birth weight stands in for the weight: only when it was measured recently."""
    born = facts.values.get("birth-weight")
    if born is None or "weight" in facts.values:
        return
    limit = facts.protocol.weight_limits.birth_weight_usable.quantity.to("h").value
    if hours_old(facts, born[0]) <= limit:
        facts.values["weight"] = facts.series["weight"] = born


def _ordered(readings: list[Measurement]) -> tuple[Measurement, ...]:
    """Earliest first; the same value at the same moment is one measurement recorded twice."""
    if len(readings) == 1:
        return (readings[0],)
    seen = {
        (reading.at or reading.origin, reading.quantity, reading.site): reading
        for reading in readings
    }
    return tuple(sorted(seen.values(), key=_when))


def _when(reading: Measurement) -> tuple[bool, float, Decimal]:
    stamp = reading.at.timestamp() if reading.at else 0.0
    return reading.at is not None, stamp, reading.quantity.value


def _latest(ordered: tuple[Measurement, ...]) -> tuple[Measurement, ...]:
    if len(ordered) == 1:
        return ordered
    last = ordered[-1].at
    return tuple(reading for reading in ordered if reading.at is None or reading.at == last)


def _note_measure(facts: Facts, kind: str) -> None:
    current = facts.values[kind]
    if len(current) == 1 and current[0].at is not None and not current[0].preliminary:
        return
    name, origins = Message(f"measure.{kind}"), tuple(reading.origin for reading in current)
    if len(current) > 1 and facts.protocol.measure_by_code[kind].repeat_within is None:
        _note(facts, "values-differ", "moderate", name, origins)
    if any(reading.preliminary for reading in current):
        _note(facts, "preliminary", "low", name, origins)
    if any(reading.at is None for reading in current):
        _note(facts, "no-time", "low", name, origins)


def _note_unit(facts: Facts, kind: str) -> None:
    """Say it when a number is so low in its unit that it may be one of the other unit.

    It counts as it was sent: a sign that may be there acts.
    """
    measure, current = facts.protocol.measure_by_code[kind], facts.values[kind]
    limit = measure.doubted_below
    if limit is None:
        return
    low = [each for each in current if each.quantity.unit == limit.unit]
    low = [each for each in low if each.quantity.value < limit.value]
    if not low:
        return
    values = (
        ("what", Message(f"measure.{kind}")),
        ("value", words.reading(low[0].quantity)),
        ("limit", words.said(limit)),
        ("other", measure.unit),
    )
    message, origins = Message("caution.wrong-unit", values), tuple(each.origin for each in low)
    facts.cautions.append(Caution("wrong-unit", "high", message, origins))


def _note_passed_over(facts: Facts, kind: str) -> None:
    """Say it when a value of this visit is passed over for a later, different one."""
    measure, series = facts.protocol.measure_by_code[kind], facts.series[kind]
    current = facts.values[kind]
    earlier = [each for each in series if each.quantity != current[-1].quantity]
    if measure.lasting or measure.repeat_within is not None or len(current) > 1 or not earlier:
        return
    values = (
        ("what", Message(f"measure.{kind}")),
        ("used", words.reading(current[0].quantity)),
        ("earlier", ", ".join(words.reading(each.quantity) for each in earlier)),
    )
    grave = any(_is_danger(facts.protocol, each) for each in earlier)
    # One value alone does not rule out what the one before it showed; a second does.
    before, last = (_is_danger(facts.protocol, each) for each in series[-2:])
    if before and not last:
        facts.measure_again.append(kind)
    origins = tuple(each.origin for each in series)
    message = Message("caution.latest-value-used", values)
    severity = "high" if grave else "moderate"
    facts.cautions.append(Caution("latest-value-used", severity, message, origins))


def _is_danger(protocol: Protocol, reading: Measurement) -> bool:
    """Whether this value alone would be a sign of a severe row."""
    return any(
        OPS[test.op](reading.quantity.value, test.limit_in(reading.quantity.unit))
        for table in protocol.tables
        for row in table.rows
        for test in (leaves(row.when) if row.severe and row.when is not None else ())
        if isinstance(test, MeasureTest) and test.measure == reading.kind
    )


def _settle_findings(facts: Facts, oldest: datetime) -> None:
    by_code: dict[str, list[Finding]] = {}
    old: dict[str, Finding] = {}
    signs = facts.protocol.sign_by_code
    for reading in facts.case.findings:
        code, answer, at, _, _ = reading
        if answer is Answer.NOT_ASSESSED:
            continue
        if at is None or at >= oldest or signs[code].lasting:
            by_code.setdefault(code, []).append(reading)
        else:
            _keep_old(old, code, reading)
    for code, said in by_code.items():
        if len(said) > 1 or said[0].preliminary:
            _settle_finding(facts, code, said)
        else:
            facts.answers[code] = said[0].answer
            facts.origins[code] = (said[0].origin,)
    for code, reading in old.items():
        facts.before[code] = reading.answer
        if code not in facts.answers:
            _note_old(facts, f"sign.{code}", reading.origin)


def _settle_finding(facts: Facts, code: str, said: list[Finding]) -> None:
    if len(said) > 1:
        if any(reading.answer is not said[0].answer for reading in said):
            said = _resolve(facts, code, said)
        if not said:
            return
    facts.answers[code] = said[0].answer
    single = len(said) == 1
    facts.origins[code] = (said[0].origin,) if single else tuple(sorted({r.origin for r in said}))
    if all(reading.preliminary for reading in said):
        _note(facts, "preliminary", "low", Message(f"sign.{code}"), facts.origins[code])


def _resolve(facts: Facts, code: str, said: list[Finding]) -> list[Finding]:
    """Settle a contradiction: a YES that means more care acts; else the latest; else unknown."""
    yes = [reading for reading in said if reading.answer is Answer.YES]
    origins = tuple(sorted({reading.origin for reading in said}))
    if code in facts.protocol.acting_signs:
        _note(facts, "contradiction-yes-acts", "high", Message(f"sign.{code}"), origins)
        return yes
    times = [reading.at for reading in said]
    if None not in times:
        last = max(time for time in times if time is not None)
        latest = [reading for reading in said if reading.at == last]
        if len({reading.answer for reading in latest}) == 1:
            _note(facts, "latest-answer-used", "low", Message(f"sign.{code}"), origins)
            return latest
    _note(facts, "contradiction-ask-again", "moderate", Message(f"sign.{code}"), origins)
    return []


def _imply(facts: Facts) -> None:
    answers = facts.answers
    for sign in facts.protocol.implying_signs:
        if answers.get(sign.code) is Answer.YES:
            _apply(facts, sign)


def _apply(facts: Facts, sign: Sign) -> None:
    for implied in sign.implies:
        known = facts.answer(implied.code)
        if known is implied.answer:
            continue
        if known is not Answer.NOT_ASSESSED:
            origins = facts.origins[implied.code] + facts.origins[sign.code]
            name = Message(f"sign.{implied.code}")
            _note(facts, "contradiction-yes-acts", "high", name, tuple(sorted(set(origins))))
            if implied.answer is Answer.NO:
                continue
        facts.answers[implied.code] = implied.answer
        facts.origins[implied.code] = facts.origins[sign.code]


def _overrule(facts: Facts) -> None:
    for sign in facts.protocol.overruled_signs:
        if sign.only_without not in facts.values:
            continue
        sites = facts.protocol.measure_by_code[sign.only_without].sites_that_exclude
        readings = facts.values[sign.only_without]
        if not all(reading.site is None or reading.site in sites for reading in readings):
            continue
        if facts.is_yes(sign.code):
            name = Message(f"sign.{sign.code}")
            _note(facts, "measured-instead", "low", name, facts.origins[sign.code])
        facts.answers[sign.code] = Answer.NO
        facts.origins[sign.code] = tuple(reading.origin for reading in readings)


def _note_old(facts: Facts, key: str, origin: Origin) -> None:
    _note(facts, "not-of-this-visit", "moderate", Message(key), (origin,))


def _note(
    facts: Facts, code: str, severity: str, name: Message, origins: tuple[Origin, ...]
) -> None:
    message = Message(f"caution.{code}", (("what", name),))
    facts.cautions.append(Caution(code, severity, message, origins))
