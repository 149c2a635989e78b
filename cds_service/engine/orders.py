"""From a course to an order: which medicine, when the next dose is due, how many, how much.

One medicine, one order (clinical content, section 3): a dose that was given before counts, and
"already given" is judged by hours since the dose, never by calendar day.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import ROUND_CEILING, Decimal
from typing import NamedTuple

from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.changes import change_after, doses_before, right_since
from cds_service.engine.courses import (
    course_days,
    doubt,
    in_use,
    next_due,
    stopped,
)
from cds_service.engine.dose import dose_of, make_dose, unsafe_next
from cds_service.engine.dose_notes import per_kg_volume
from cds_service.engine.facts import Facts
from cds_service.engine.in_use import already, holds_back
from cds_service.engine.instructions import instructions
from cds_service.engine.model import Change, Dose, Need, NoDose, Order
from cds_service.engine.ordered import dose_of_day_one
from cds_service.engine.past import past
from cds_service.engine.phrase import change_told, moment
from cds_service.engine.vomited import repeat_is_due

# Why a medicine cannot be given that lets the next one on the list be tried.
_TRY_NEXT = frozenset({"allergy", "not-in-stock", "not-offered"})

_COUNTS = Message("dose-before-referral-counts")
_REPEATS = Message("dose-repeats-the-vomited")


class _Due(NamedTuple):
    """When the next dose is due and how many are left."""

    at: datetime
    doses: int
    began: datetime | None = None
    """When the first dose of the running course was given."""


def make_orders(need: Need, facts: Facts, kg: Decimal | None) -> tuple[list[Order], list[NoDose]]:
    """The order for a course (with its alternative, if it is offered), or why there is none."""
    refused: list[NoDose] = []
    for code in need.course.medicines:
        order = _order(need, facts.protocol.medicine_by_code[code], facts, kg)
        if isinstance(order, Order):
            return _with_alternative(need, order, facts, kg, refused)
        refused.append(order)
        if order.code not in _TRY_NEXT and not order.severity:
            break
    return [], refused


def _with_alternative(
    need: Need, order: Order, facts: Facts, kg: Decimal | None, refused: list[NoDose]
) -> tuple[list[Order], list[NoDose]]:
    other = need.course.alternative
    # What was passed over for want of stock needs no word when something else is given.
    kept = [no for no in refused if no.code == "not-offered"]
    if not other or order.dose.medicine.code == other:
        return [order], kept
    second = _order(need, facts.protocol.medicine_by_code[other], facts, kg)
    if isinstance(second, NoDose):
        return [order], kept + ([second] if second.code == "not-offered" else [])
    # The alternative's schedule has a source of its own: the one that offers it.
    other_way = second._replace(
        is_option=True,
        instead_of=order.key,
        cite=second.dose.medicine.times_a_day.cite,
        instructions=(Message(f"alternative.{other}"), *second.instructions),
    )
    return [order._replace(is_option=True), other_way], kept


def _order(need: Need, medicine: Medicine, facts: Facts, kg: Decimal | None) -> Order | NoDose:
    stops = stopped(medicine, facts)
    days = course_days(need.course, stops)
    uses = in_use(medicine, facts, need.since)
    forbidden = facts.any_yes(medicine.avoid_with)
    if uses and not forbidden and holds_back(uses, past(medicine.code, facts, need.since)):
        return already(uses, medicine, facts, kg)
    due = _due(need, days, medicine, facts)
    if isinstance(due, NoDose):
        return due
    unsafe = None if due.began is None else unsafe_next(medicine, due.at, facts)
    if unsafe is not None:
        return unsafe
    dose = _dose(medicine, facts, kg, due)
    if isinstance(dose, NoDose):
        return dose
    times = int(medicine.times_a_day.value)
    at_least = need.course.at_least and not stops
    change, doses = _until(medicine, facts, due) if days is not None else (None, due.doses)
    if days is not None:
        days = -(-(days * times - (due.doses - doses)) // times)
    to_give = None if days is None else doses
    goes_on = at_least or change is not None
    told = instructions(dose, to_give, facts.protocol, at_least=goes_on)
    return Order(
        key=f"{need.branch}.{medicine.code}",
        branch=need.branch,
        dose=_ending(_beside(need, dose, facts.protocol), change, times),
        times_a_day=times,
        days=days,
        at_least=at_least and change is None,
        first_due=due.at,
        doses=doses,
        packs=packs(dose, doses, times),
        is_option=need.is_option,
        classes=need.classes,
        cite=need.cite,
        instructions=(*_counted(need, medicine), *_repeats(due, medicine, facts), *told),
        change=change,
    )


def _until(medicine: Medicine, facts: Facts, due: _Due) -> tuple[Change | None, int]:
    """The change of dose within the course, if there is one, and the doses before it."""
    change = change_after(medicine, facts, due.at.date())
    doses = doses_before(change, due.at, due.doses, _apart(medicine))
    return (change, doses) if doses < due.doses else (None, doses)


def _ending(dose: Dose, change: Change | None, times_a_day: int) -> Dose:
    """The dose with the last day on which it is right, and what follows, where it changes."""
    if change is None:
        return dose
    until = Message("dose.until", change_told(change, times_a_day))
    return replace(dose, notes=(*dose.notes, until))


def _apart(medicine: Medicine) -> timedelta:
    return timedelta(hours=int(medicine.interval.value))


def _counted(need: Need, medicine: Medicine) -> tuple[Message, ...]:
    """Said with an order here, when the same medicine may have been given before referral."""
    return (_COUNTS,) if medicine.code in need.also_before else ()


def _repeats(due: _Due, medicine: Medicine, facts: Facts) -> tuple[Message, ...]:
    """Said when the dose that is due is the one that takes the place of a vomited dose."""
    repeat = due.at == facts.case.as_of and repeat_is_due(facts, medicine.code)
    return (_REPEATS,) if repeat else ()


def _dose(medicine: Medicine, facts: Facts, kg: Decimal | None, due: _Due) -> Dose | NoDose:
    """The dose of the first day of the course, or of the day on which it is due."""
    today = facts.case.as_of.date()
    if medicine.each_day and due.at.date() != today:
        return make_dose(medicine, facts.on(due.at.date()), kg)
    if due.began is not None and not medicine.each_day:
        return dose_of_day_one(medicine, due.began.date(), facts, kg)
    return dose_of(medicine, facts, kg)


def _beside(need: Need, dose: Dose, protocol: Protocol) -> Dose:
    """The dose with the exact volume per kilogram beside it, where the course asks for that."""
    if not need.course.per_kg_beside:
        return dose
    key = ("beside", dose.formulation.code, dose.rule, dose.weight)
    made: Dose | None = protocol.memo[key]
    if made is None:
        volume = per_kg_volume(dose)
        notes = dose.notes if volume is None else (*dose.notes, volume)
        made = protocol.memo[key] = replace(dose, notes=notes)
    return made


def _due(need: Need, days: int | None, medicine: Medicine, facts: Facts) -> _Due | NoDose:
    doses = 1 if days is None else days * int(medicine.times_a_day.value)
    case = facts.case
    is_new = need.since is None and not (case.given or case.missed)
    if is_new and medicine.code not in facts.unsettled:
        return _Due(case.as_of, doses)
    record = past(medicine.code, facts, need.since)
    why = doubt(medicine, facts, record)
    if why:
        return no_dose(medicine, why)
    if not record.kept:
        if need.since is not None and not (record.lost or record.missed or record.missed_some_time):
            return no_dose(medicine, "record-missing")
        return _Due(facts.case.as_of, doses)
    at = next_due(medicine, facts, record, _apart(medicine))
    began = record.kept[-1]
    if days is None:
        when = ("at", moment(record.kept[0]))
        again = at == facts.case.as_of and not need.course.once
        return _Due(at, 1, began) if again else no_dose(medicine, "already-given", when)
    since = right_since(medicine, facts)
    counted = [at for at in record.kept if since is None or at.date() >= since]
    left = doses - len(counted)
    return _Due(at, left, began) if left > 0 else no_dose(medicine, "course-complete")


def no_dose(medicine: Medicine, code: str, *values: tuple[str, str | Message]) -> NoDose:
    """That a medicine is not given, with the text that says why."""
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    return NoDose(medicine.code, code, Message(f"no-dose.{code}", (name, *values)))


def packs(dose: Dose, doses: int, times_a_day: int) -> int:
    """Whole tablets, bottles or vials for `doses` doses.

    Tablets are rounded up over the whole course; a bottle is used no longer than it keeps once
    made up; what is left in a vial is thrown away. The first dose, given in the clinic, counts.
    """
    form = dose.formulation
    size, amount = form.pack_size.value, dose.amount.value
    if form.pack == "{vial}":
        return doses * _whole(amount / size)
    if form.shelf_life is None:
        return _whole(doses * amount / size)
    lasts = max(1, int(form.shelf_life.quantity.to("d").value * times_a_day))
    full, rest = divmod(doses, lasts)
    return full * _whole(lasts * amount / size) + _whole(rest * amount / size)


def _whole(value: Decimal) -> int:
    return int(value.to_integral_value(rounding=ROUND_CEILING))
