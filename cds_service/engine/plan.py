"""The plan: what to do, in which branch, with which doses, and when to come back.

Design: choice, not silence; what cannot be given yields no order but a caution with the reason.
"""

from collections.abc import Iterable, Iterator

from cds_service.content.model import Message
from cds_service.engine.assessment_model import Assessment, Caution, Missing
from cds_service.engine.care import (
    assessment_referral,
    care_items,
    counselling,
    emergency,
    referral,
)
from cds_service.engine.course_cautions import repeats
from cds_service.engine.facts import Facts
from cds_service.engine.fluids import fluid_orders, with_fluids
from cds_service.engine.follow_up import beyond_the_protocol, follow_ups
from cds_service.engine.medication import medication
from cds_service.engine.model import FluidOrder, Order, Plan, RunningCourse
from cds_service.engine.plan_cautions import plan_cautions
from cds_service.engine.situation import situate
from cds_service.engine.summary import summary
from cds_service.engine.weight import dosing_weight

# Cautions about something known that the tables did not use: the plan is not the whole answer.
_LEFT_OUT = frozenset(
    {
        "not-judged",
        "not-used",
        "course-running",
        "course-differs",
        "several-orders",
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
    cautions = plan_cautions(facts, assessment, situation, given, noticed)
    status = _status(missing, cautions)
    sent = assessment_referral(facts, situation)
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
        assessment_referral=sent,
        orders=given.orders,
        care=(
            *repeats(facts, given.orders, given.courses),
            *care_items(facts, situation, kg, unfinished=unfinished),
        ),
        follow_ups=visits,
        cautions=cautions,
        missing=missing,
        counselling=counselling(facts, situation),
        summary=summary(
            assessment,
            situation,
            due,
            cautions,
            needed=_open(missing, status),
            emergency=bool(first),
            sent=sent is not None,
        ),
        fluids=fluids.orders,
        courses=given.courses,
    )


def _open(missing: tuple[Missing, ...], status: str) -> str:
    """What the headline says of the assessment: see `summary`."""
    if status != "data-required":
        return ""
    required = {item.code for item in missing if item.required}
    return "weight" if required == {"weight"} else "more"


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
