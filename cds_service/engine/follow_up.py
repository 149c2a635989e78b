"""When to come back: dates, the earliest definite day first.

"Day 4 of treatment" is the date of the visit + 3 (clinical content, section 3).
"""

from collections.abc import Iterator
from datetime import date, timedelta

from cds_service.content.model import Message
from cds_service.content.treatment import Visit
from cds_service.engine.facts import Facts
from cds_service.engine.model import FollowUp, Order
from cds_service.engine.situation import Situation


def follow_ups(
    facts: Facts, situation: Situation, orders: tuple[Order, ...]
) -> tuple[FollowUp, ...]:
    """The visits of the branch that is treated here, by date; the first is the day to give."""
    if not situation.treats_here:
        return ()
    today = facts.case.as_of.date()
    found: dict[tuple[date, str], FollowUp] = {}
    for item in situation.managed:
        for visit in item.regimen.visits if item.regimen is not None else ():
            if not _is_due(visit, facts, orders):
                continue
            name = Message(f"class.{item.held.code}")
            for follow_up in _dated(visit, today, _injected(visit, orders), name):
                found.setdefault((follow_up.on, visit.code), follow_up)
    ordered = sorted(found.values(), key=lambda each: (each.on, each.until is not None, each.key))
    return tuple(
        FollowUp(each.key, each.on, each.until, each.message, each.cite, index == 0, each.branch)
        for index, each in enumerate(ordered)
    )


def _dated(visit: Visit, today: date, order: Order | None, name: Message) -> Iterator[FollowUp]:
    last = today + timedelta(days=int(visit.after.value))
    message = Message(f"visit.{visit.code}", (("class", name),))
    if not visit.daily:
        key = f"{visit.code}.{int(visit.after.value)}"
        yield FollowUp(key, last, None, message, visit.cite, first=False, branch="here")
        return
    first = today + timedelta(days=1)
    if order is not None:
        due = order.first_due.date()
        first, last = max(first, due), due + timedelta(days=order.doses - 1)
    if first <= last:
        until = last if last > first else None
        yield FollowUp(visit.code, first, until, message, visit.cite, first=False, branch="here")


def _injected(visit: Visit, orders: tuple[Order, ...]) -> Order | None:
    """The order whose doses are given at these visits."""
    here = (order for order in orders if order.branch == "here")
    return next((o for o in here if o.dose.medicine.code == visit.with_medicine), None)


def _is_due(visit: Visit, facts: Facts, orders: tuple[Order, ...]) -> bool:
    """Whether there is anything to come for: no injections, no visits for them."""
    running = {use.medicine for use in facts.case.in_use}
    code = visit.with_medicine
    return not code or code in running or _injected(visit, orders) is not None
