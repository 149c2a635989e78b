"""Drafted orders held against what the protocol would give this infant.

Every draft is judged by the dose that `make_dose` gives (so by its age, weight, allergies and
contraindications), and by the interval and the length of the plan. What cannot be judged is said:
no order agrees by default.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from cds_service.case import Answer, Finding, Origin
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.assess import assess
from cds_service.engine.assessment_model import Weight
from cds_service.engine.check_amounts import amount_faults, due_dates, in_its_product
from cds_service.engine.check_model import Checked, DraftOrder, Fault
from cds_service.engine.courses import doses_so_far, is_running, kind
from cds_service.engine.facts import Facts
from cds_service.engine.model import Decision, Order
from cds_service.engine.order_cautions import medicine_cautions
from cds_service.engine.phrase import days, days_to_give, times
from cds_service.engine.settle import settle
from cds_service.engine.weight import dosing_weight
from cds_service.engine.words import listed

_SHOWN = ("high", "moderate")


def check_orders(decision: Decision, drafts: Sequence[DraftOrder]) -> tuple[Checked, ...]:
    """Judge the selected drafts; the decision is that of the same infant without them."""
    facts = _facts(decision, drafts)
    weight = dosing_weight(facts)
    return tuple(
        _checked(draft, place, drafts, decision, facts, weight)
        for place, draft in enumerate(drafts)
        if draft.selected
    )


def _facts(decision: Decision, drafts: Sequence[DraftOrder]) -> Facts:
    """The facts as if what is drafted were in use, for what does not go together with it."""
    case = decision.case
    drafted = tuple(
        Finding(code, Answer.YES, case.as_of, Origin(draft.reference))
        for draft in drafts
        for code in draft.signs
    )
    facts = settle(replace(case, findings=(*case.findings, *drafted)), decision.protocol)
    assess(facts)
    return facts


def _checked(
    draft: DraftOrder,
    place: int,
    drafts: Sequence[DraftOrder],
    decision: Decision,
    facts: Facts,
    weight: Weight,
) -> Checked:
    first = next(_not_for_us(draft, facts), None)
    if first is not None:
        return Checked(draft, (first,))
    medicine = facts.protocol.medicine_by_code[draft.medicine]
    order = _order(draft, decision)
    faults = [
        *_unclear(draft),
        *_duplicates(draft, place, drafts, decision, facts),
        *_not_due(draft, order, decision),
    ]
    kg = None if _too_light(facts, weight) else weight.kg
    began = due_dates(draft, order, facts)
    faults += amount_faults(draft, medicine, began, facts, kg, _why_no_weight(facts, weight))
    faults += [*_interval(draft, medicine), *_length(draft, order)]
    same = in_its_product(draft, order, medicine, began, facts, kg)
    later = doses_so_far(medicine, facts) > 0
    every = medicine_cautions(facts, medicine, draft.days or 0, later=later)
    told = tuple(each for each in every if each.severity in _SHOWN)
    return Checked(draft, tuple(faults), told, same or order, same is not None)


def _not_for_us(draft: DraftOrder, facts: Facts) -> Iterator[Fault]:
    """Why nothing at all can be said about an order."""
    if not facts.age_is_inside():
        yield Fault("outside-age", "moderate", Message("check.outside-age"))
    if draft.other_patient:
        yield Fault("other-patient", "high", Message("check.other-patient"))
    if not draft.medicine:
        yield Fault("medicine-unknown", "moderate", Message("check.medicine-unknown"))


def _unclear(draft: DraftOrder) -> Iterator[Fault]:
    if draft.unclear:
        parts = listed(tuple(Message(f"check.part.{part}") for part in draft.unclear))
        yield Fault("unreadable", "moderate", Message("check.unreadable", (("parts", parts),)))


def _order(draft: DraftOrder, decision: Decision) -> Order | None:
    """What the plan gives of the medicine: the single dose for a single dose, else the course."""
    orders = [each for each in decision.plan.orders if each.dose.medicine.code == draft.medicine]
    like = [each for each in orders if (each.days is None) == draft.once]
    return next(iter([*like, *orders]), None)


def _duplicates(
    draft: DraftOrder,
    place: int,
    drafts: Sequence[DraftOrder],
    decision: Decision,
    facts: Facts,
) -> Iterator[Fault]:
    protocol = facts.protocol
    name = ("medicine", _name(draft.medicine))
    others = [each for which, each in enumerate(drafts) if which != place and each.medicine]
    before = [each for which, each in enumerate(drafts) if which < place]
    for code in dict.fromkeys(each.medicine for each in others):
        same = kind(protocol.medicine_by_code[code]) == kind(
            protocol.medicine_by_code[draft.medicine]
        )
        if code != draft.medicine and same and not _go_together(code, draft.medicine, decision):
            values = (name, ("other", _name(code)))
            yield Fault("same-kind", "high", Message("check.same-kind", values))
    if any(each.medicine == draft.medicine for each in before):
        yield Fault("duplicate", "high", Message("check.duplicate-draft"))
    for use in facts.case.in_use:
        revised = use.origin.reference.endswith(draft.reference) and draft.reference
        if use.medicine == draft.medicine and not revised and is_running(use, facts):
            yield Fault("duplicate", "high", Message("check.duplicate-order", (name,)))
            return


def _go_together(one: str, other: str, decision: Decision) -> bool:
    """Whether the plan itself gives both in one branch."""
    keys = {each.key for each in decision.plan.orders if not each.instead_of}
    return any({f"{branch}.{one}", f"{branch}.{other}"} <= keys for branch in ("refer", "here"))


def _not_due(draft: DraftOrder, order: Order | None, decision: Decision) -> Iterator[Fault]:
    if order is not None:
        return
    plan = decision.plan
    for caution in plan.cautions:
        if caution.medicine == draft.medicine and caution.code.startswith("no-dose-"):
            yield Fault("not-due", caution.severity, caution.message)
            return
    if plan.status == "data-required":
        yield Fault("not-due-open", "moderate", Message("check.not-due-open"))
    else:
        yield Fault("not-due", "moderate", Message("check.not-due"))


def _too_light(facts: Facts, weight: Weight) -> bool:
    least = facts.protocol.low_weight.dose_from
    return weight.kg is not None and weight.kg < least.value


def _why_no_weight(facts: Facts, weight: Weight) -> Message:
    if weight.kg is None:
        return weight.hold or Message("no-dose.no-weight")
    least = facts.protocol.low_weight.dose_from.quantity
    return Message("no-dose.too-light", (("weight", str(weight.quantity)), ("least", str(least))))


def _interval(draft: DraftOrder, medicine: Medicine) -> Iterator[Fault]:
    if draft.once or "timing" in draft.unclear or "dosage" in draft.unclear:
        return
    usual = int(medicine.times_a_day.value)
    due = ("due", times(usual))
    if draft.a_day is None:
        yield Fault("interval-missing", "moderate", Message("check.interval-missing", (due,)))
    elif draft.a_day != usual:
        severity = "high" if draft.a_day > usual else "moderate"
        given = ("given", times(draft.a_day))
        yield Fault("wrong-interval", severity, Message("check.wrong-interval", (given, due)))


def _length(draft: DraftOrder, order: Order | None) -> Iterator[Fault]:
    """The length against any order of the plan for the medicine: a dose before referral, a course.

    Of a course that runs, the days that are left are as right as those of the whole.
    """
    if order is None or "timing" in draft.unclear or "dosage" in draft.unclear:
        return
    due = ("due", _told(order))
    if order.days is None:
        if not draft.once:
            given = Message("check.once") if draft.days is None else days(draft.days)
            missing = draft.days is None
            yield _wrong_length(due, None if missing else given)
    elif draft.once:
        yield _wrong_length(due, Message("check.once"))
    elif draft.days is None:
        yield _wrong_length(due, None)
    elif not _is_long_enough(draft.days, order):
        yield _wrong_length(due, days(draft.days))


def _wrong_length(due: tuple[str, Message], given: Message | None) -> Fault:
    if given is None:
        return Fault("duration-missing", "moderate", Message("check.duration-missing", (due,)))
    message = Message("check.wrong-duration", (("given", given), due))
    return Fault("wrong-duration", "moderate", message)


def _told(order: Order) -> Message:
    if order.days is None:
        return Message("check.once")
    length = days(days_to_give(order))
    return Message("check.at-least", (("days", length),)) if order.at_least else length


def _is_long_enough(given: int, order: Order) -> bool:
    left = days_to_give(order)
    if order.at_least:
        return given >= left
    return given in (order.days, left)


def _name(code: str) -> Message:
    return Message(f"medicine.{code}")
