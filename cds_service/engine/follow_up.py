"""When to come back: dates, the earliest definite day first.

"Day 4 of treatment" is the date of the visit + 3 (clinical content, section 3).
"""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import NamedTuple

from cds_service.content.medicine import Medicine
from cds_service.content.model import Cite, Message
from cds_service.content.plans import Visit
from cds_service.engine.assessment_model import Caution
from cds_service.engine.facts import Facts
from cds_service.engine.medication import Medication
from cds_service.engine.model import FollowUp, Order
from cds_service.engine.phrase import day, days_to_give, new_dose
from cds_service.engine.situation import Situation
from cds_service.engine.words import said


class _Dated(NamedTuple):
    """One visit with its days; in the order in which visits are told."""

    on: date
    lasts: bool
    key: str
    until: date | None
    message: Message
    cite: Cite
    definite: bool = True


def follow_ups(facts: Facts, situation: Situation, given: Medication) -> tuple[FollowUp, ...]:
    """The visits of the branch that is treated here, by date; the first is the day to give."""
    if not situation.treats_here:
        return ()
    today = facts.case.as_of.date()
    found: dict[tuple[date, str], _Dated] = {}
    for item in situation.managed:
        for visit in item.regimen.visits if item.regimen is not None else ():
            dated = _dated(visit, item.since or today, facts, given, item.plan.code)
            if dated is not None and (dated.until or dated.on) > today:
                found.setdefault((dated.on, visit.code), dated)
    ordered = sorted((*found.values(), *_by_age(facts, given)), key=lambda each: each[:3])
    first = next((each for each in ordered if each.definite), None)
    return tuple([_follow_up(each, is_first=each is first) for each in ordered])


def beyond_the_protocol(
    facts: Facts, given: Medication, visits: tuple[FollowUp, ...]
) -> Iterator[Caution]:
    """That a visit or a dose falls on a day on which the infant is too old for this protocol."""
    if facts.age is None:
        return
    limit, today = int(facts.protocol.age_limit), facts.case.as_of.date()
    end = today + timedelta(days=limit - facts.age.high)
    days = [each.until or each.on for each in visits]
    days += [_last_day(order) for order in given.orders if order.branch == "here"]
    days += [each.last_day for each in given.courses if each.last_day is not None]
    if today < end <= max(days, default=today):
        values = (("on", day(end)), ("limit", said(facts.protocol.age_below)))
        yield Caution("protocol-ends", "moderate", Message("caution.protocol-ends", values))


def _last_day(order: Order) -> date:
    return order.first_due.date() + timedelta(days=days_to_give(order) - 1)


def _follow_up(dated: _Dated, *, is_first: bool) -> FollowUp:
    return FollowUp(
        key=dated.key,
        on=dated.on,
        until=dated.until,
        message=dated.message,
        cite=dated.cite,
        first=is_first,
        branch="here",
        definite=dated.definite,
    )


def _by_age(facts: Facts, given: Medication) -> Iterator[_Dated]:
    """The days on which a dose changes, or a medicine begins, because of the age."""
    known = facts.protocol.medicine_by_code
    changing = [(o.dose.medicine, o.change) for o in given.orders if o.branch == "here"]
    changing += [(known[each.medicine], each.change) for each in given.courses if each.is_told]
    for medicine, change in changing:
        if change is not None:
            dose = new_dose(change, int(medicine.times_a_day.value))
            cite = medicine.cite if change.dose is None else change.dose.cite
            yield _of_medicine("dose-changes", medicine, change.on, cite, *dose)
    yield from (
        _of_medicine("medicine-begins", known[no.medicine], no.begins, known[no.medicine].cite)
        for no in given.later
        if no.begins is not None
    )


def _of_medicine(
    code: str, medicine: Medicine, on: date, cite: Cite, *values: tuple[str, str | Message]
) -> _Dated:
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    key, message = f"{code}.{medicine.code}", Message(f"visit.{code}", (name, *values))
    return _Dated(on, False, key, None, message, cite)


def _dated(visit: Visit, start: date, facts: Facts, given: Medication, held: str) -> _Dated | None:
    """The dates of a visit, counted from the day on which the treatment began."""
    first, last = _span(visit, start, facts, given) if visit.daily else _on(visit, start)
    if first > last:
        return None
    key = visit.code if visit.daily else f"{visit.code}.{int(visit.after.value)}"
    message = Message(f"visit.{visit.code}", (("class", Message(f"class.{held}")),))
    until = last if last > first else None
    definite = not visit.if_not_better
    return _Dated(first, last > first, key, until, message, visit.after.cite, definite)


def _on(visit: Visit, start: date) -> tuple[date, date]:
    day = start + timedelta(days=int(visit.after.value))
    return day, day


def _span(visit: Visit, start: date, facts: Facts, given: Medication) -> tuple[date, date]:
    """First and last day of daily visits; the first is after the last when none is due."""
    today = facts.case.as_of.date()
    tomorrow, last = today + timedelta(days=1), start + timedelta(days=int(visit.after.value))
    code = visit.with_medicine
    for course in (each for each in given.courses if each.medicine == code):
        if course.state != "continue":
            return tomorrow, today  # none is left, or none is given before advice
        if course.next_due is not None and course.last_day is not None:
            return max(tomorrow, course.next_due.date()), course.last_day
    if not code or any(use.medicine == code for use in facts.case.in_use):
        return tomorrow, last
    for order in given.orders:
        if order.branch == "here" and order.dose.medicine.code == code:
            due = order.first_due.date()
            return max(tomorrow, due), due + timedelta(days=days_to_give(order) - 1)
    return tomorrow, today  # no injections, no visits for them
