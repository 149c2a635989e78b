"""When to come back: dates, the earliest definite day first.

"Day 4 of treatment" is the date of the visit + 3 (clinical content, section 3).
"""

from datetime import date, timedelta
from typing import NamedTuple

from cds_service.content.model import Message
from cds_service.content.plans import Visit
from cds_service.engine.facts import Facts
from cds_service.engine.medication import Medication
from cds_service.engine.model import FollowUp
from cds_service.engine.phrase import days_to_give
from cds_service.engine.situation import Situation


class _Dated(NamedTuple):
    """One visit with its days; in the order in which visits are told."""

    on: date
    lasts: bool
    key: str
    until: date | None
    visit: Visit
    held: str
    """The class whose plan asks for it."""


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
    ordered = sorted(found.values(), key=lambda each: each[:3])
    first = next((each for each in ordered if not each.visit.if_not_better), None)
    return tuple([_follow_up(each, is_first=each is first) for each in ordered])


def _follow_up(dated: _Dated, *, is_first: bool) -> FollowUp:
    visit = dated.visit
    return FollowUp(
        key=dated.key,
        on=dated.on,
        until=dated.until,
        message=Message(f"visit.{visit.code}", (("class", Message(f"class.{dated.held}")),)),
        cite=visit.after.cite,
        first=is_first,
        branch="here",
        definite=not visit.if_not_better,
    )


def _dated(visit: Visit, start: date, facts: Facts, given: Medication, held: str) -> _Dated | None:
    """The dates of a visit, counted from the day on which the treatment began."""
    first, last = _span(visit, start, facts, given) if visit.daily else _on(visit, start)
    if first > last:
        return None
    key = visit.code if visit.daily else f"{visit.code}.{int(visit.after.value)}"
    return _Dated(first, last > first, key, last if last > first else None, visit, held)


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
