"""The plan: what to do, in which branch, with which doses, and when to come back.

Design: choice, not silence; what cannot be given yields no order but a caution with the reason.
"""

from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from cds_service.content.memo import once
from cds_service.content.model import Message
from cds_service.content.plans import PlanCaution
from cds_service.engine.care import (
    assessment_referral,
    care_items,
    counselling,
    emergency,
    referral,
)
from cds_service.engine.conditions import holds
from cds_service.engine.course_cautions import repeats
from cds_service.engine.facts import Facts
from cds_service.engine.fluids import fluid_orders, with_fluids
from cds_service.engine.follow_up import beyond_the_protocol, follow_ups
from cds_service.engine.medication import medication
from cds_service.engine.model import (
    Assessment,
    Care,
    Caution,
    FluidOrder,
    Missing,
    Order,
    Plan,
    RunningCourse,
)
from cds_service.engine.phrase import day, days
from cds_service.engine.situation import Managed, Situation, situate
from cds_service.engine.summary import summary
from cds_service.engine.weight import dosing_weight
from cds_service.engine.words import listed, said

_SEVERITIES = ("high", "moderate", "low")
# Cautions about something known that the tables did not use: the plan is not the whole answer.
_LEFT_OUT = frozenset(
    {
        "not-judged",
        "not-used",
        "course-running",
        "course-differs",
        "several-orders",
        "emergency-without-class",
    }
)


def make_plan(facts: Facts, assessment: Assessment) -> Plan:
    """Make the plan for an assessed infant."""
    weight = dosing_weight(facts)
    situation = situate(facts, assessment, weight)
    fluids = fluid_orders(facts, situation, weight)
    given = medication(with_fluids(facts, fluids), situation, weight)
    missing = _distinct(
        (
            *assessment.missing,
            *given.missing,
            *fluids.missing,
            *_unsure_of_age(facts),
            *situation.missing,
            *_again(facts),
        )
    )
    kg = weight.kg if facts.age_is_inside() and not situation.too_light_to_dose else None
    first = tuple(emergency(facts, kg))
    visits = follow_ups(facts, situation, given)
    noticed = (*fluids.cautions, *given.cautions, *beyond_the_protocol(facts, given, visits))
    cautions = _cautions(facts, assessment, situation, noticed, first)
    status = _status(missing, cautions)
    unfinished = status == "data-required"
    due: tuple[Order | FluidOrder | RunningCourse, ...] = (
        *given.orders,
        *fluids.orders,
        *(course for course in given.courses if course.state == "continue"),
    )
    return Plan(
        status=status,
        choice=situation.choice,
        emergency=first,
        referral=referral(facts, situation),
        assessment_referral=assessment_referral(facts, situation),
        orders=given.orders,
        care=(
            *repeats(facts, given.orders, given.courses),
            *care_items(facts, situation, kg, unfinished=unfinished),
        ),
        follow_ups=visits,
        cautions=cautions,
        missing=missing,
        counselling=counselling(facts, situation),
        summary=summary(assessment, situation, first, due, cautions, status),
        fluids=fluids.orders,
        courses=given.courses,
    )


def _again(facts: Facts) -> Iterator[Missing]:
    for kind in facts.measure_again:
        yield Missing("measure", kind, Message("missing.again"), required=True)


def _unsure_of_age(facts: Facts) -> tuple[Missing, ...]:
    """Without an age inside the protocol's range nobody can say that the protocol applies."""
    if facts.age_is_inside():
        return ()
    return (Missing("age", "age", Message("missing.age-range"), required=True),)


def _status(missing: tuple[Missing, ...], cautions: tuple[Caution, ...]) -> str:
    """ "success" only when nothing is missing and nothing sent was left out of the decision."""
    if any(item.required for item in missing):
        return "data-required"
    left_out = any(each.severity == "high" and each.code in _LEFT_OUT for each in cautions)
    return "data-requested" if missing or left_out else "success"


def _distinct(items: Iterable[Missing]) -> tuple[Missing, ...]:
    found: dict[tuple[str, str], Missing] = {}
    for item in sorted(items, key=lambda item: not item.required):
        found.setdefault((item.kind, item.code), item)
    return tuple(found.values())


def _cautions(
    facts: Facts,
    assessment: Assessment,
    situation: Situation,
    noticed: tuple[Caution, ...],
    first: tuple[Care, ...],
) -> tuple[Caution, ...]:
    own = _shown(facts.protocol.cautions, facts)
    if first and not situation.refers:
        message = Message("caution.emergency-without-class")
        own.append(Caution("emergency-without-class", "high", message))
    if situation.very_low_weight:
        own += [_plan_caution(each, facts) for each in facts.protocol.low_weight.cautions]
    for item in situation.managed:
        own += _shown(item.plan.cautions, facts)
        if situation.treats_here and item.regimen is not None and not situation.too_light_to_dose:
            own += _shown(item.regimen.cautions, facts, item.since)
        if item.held.open_above:
            own.append(_unfinished(item.held.open_above))
        if item.care_only and situation.treats_here and not _absorbed(item, assessment):
            own.append(Caution("course-waits", "moderate", Message("caution.course-waits")))
    every: dict[Caution, None] = {}  # in their order; thousands may be sent
    for caution in (*own, *noticed, *assessment.cautions):
        if caution not in every:
            every[_with_action(caution, facts)] = None
    return tuple(sorted(every, key=lambda caution: _SEVERITIES.index(caution.severity)))


def _with_action(caution: Caution, facts: Facts) -> Caution:
    key = f"action.{caution.code}"
    if caution.action is not None or key not in facts.protocol.text_by_key:
        return caution
    return caution._replace(action=Message(key))


def _shown(
    cautions: tuple[PlanCaution, ...], facts: Facts, since: date | None = None
) -> list[Caution]:
    return [
        _plan_caution(each, facts)
        if each.due_after is None
        else _on_a_day(each, int(each.due_after.value), facts.case.as_of.date(), since)
        for each in cautions
        if each.when is None or holds(each.when, facts)
    ]


def _plan_caution(caution: PlanCaution, facts: Facts) -> Caution:
    return once(facts.protocol.made, "caution", caution, _in_words)


def _on_a_day(caution: PlanCaution, after: int, today: date, since: date | None) -> Caution:
    """What is due so many days after the treatment began: on its day, today, or before today."""
    on = (since or today) + timedelta(days=after)
    kind = "caution" if on > today else "today" if on == today else "past"
    values = (("date", day(on)), ("after", days(after)))
    return Caution(caution.code, caution.severity, Message(f"{kind}.{caution.code}", values))


def _in_words(caution: PlanCaution) -> Caution:
    values = tuple((name, said(value)) for name, value in caution.values)
    return Caution(caution.code, caution.severity, Message(f"caution.{caution.code}", values))


def _unfinished(rows: tuple[str, ...]) -> Caution:
    names = listed(tuple(Message(f"class.{code}") for code in rows))
    return Caution(
        "finish-the-assessment",
        "high",
        Message("caution.finish-the-assessment", (("rows", names),)),
    )


def _absorbed(item: Managed, assessment: Assessment) -> bool:
    return any(assessment.holds(code) for code in item.plan.absorbed_by)
