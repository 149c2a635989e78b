"""When to come back: dates, the earliest definite day first.

"Day 4 of treatment" is the date of the visit + 3 (clinical content, section 3).
"""

from datetime import date, timedelta

from cds_service.content.model import Message
from cds_service.content.treatment import Visit
from cds_service.engine.facts import Facts
from cds_service.engine.medication import Medication
from cds_service.engine.model import FollowUp
from cds_service.engine.phrase import days_to_give
from cds_service.engine.situation import Situation


def follow_ups(facts: Facts, situation: Situation, given: Medication) -> tuple[FollowUp, ...]:
    """The visits of the branch that is treated here, by date; the first is the day to give."""
    if not situation.treats_here:
        return ()
    today = facts.case.as_of.date()
    found: dict[tuple[date, str], FollowUp] = {}
    for item in situation.managed:
        for visit in item.regimen.visits if item.regimen is not None else ():
            follow_up = _dated(visit, item.since or today, facts, given, item.plan.code)
            if follow_up is not None and (follow_up.until or follow_up.on) > today:
                found.setdefault((follow_up.on, visit.code), follow_up)
    ordered = sorted(found.values(), key=lambda each: (each.on, each.until is not None, each.key))
    first = next((each for each in ordered if each.definite), None)
    return tuple([each._replace(first=True) if each is first else each for each in ordered])


def _dated(
    visit: Visit, start: date, facts: Facts, given: Medication, held: str
) -> FollowUp | None:
    """The dates of a visit, counted from the day on which the treatment began."""
    first, last = _span(visit, start, facts, given) if visit.daily else _on(visit, start)
    if first > last:
        return None
    days = int(visit.after.value)
    return FollowUp(
        key=visit.code if visit.daily else f"{visit.code}.{days}",
        on=first,
        until=last if last > first else None,
        message=Message(f"visit.{visit.code}", (("class", Message(f"class.{held}")),)),
        cite=visit.after.cite,
        first=False,
        branch="here",
        definite=not visit.if_not_better,
    )


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
