"""Courses that run: which day it is, what was given and missed, what is left, when the next is due.

Clinical content, section 3: missed doses: continue, never double, extend the last day; "already
given" is judged by hours since the dose; one medicine, one order.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import groupby, pairwise
from typing import NamedTuple

from cds_service.case import MedicineInUse
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.content.plans import Course
from cds_service.engine.changes import change_after, doses_before, right_since
from cds_service.engine.conditions import holds
from cds_service.engine.course_doses import course_words
from cds_service.engine.facts import Facts
from cds_service.engine.model import Change, CourseWords, Need, RunningCourse
from cds_service.engine.ordered import differences
from cds_service.engine.past import Past, past, unrecorded_doses
from cds_service.engine.vomited import repeat_is_due


def doubt(medicine: Medicine, facts: Facts, record: Past) -> str:
    """Why the record does not say when the next dose may be given; "" when it does."""
    if medicine.code in facts.unsettled:
        return "record-unclear"
    if not facts.case.given:
        return ""
    if any(dose.medicine == medicine.code and dose.at is None for dose in facts.case.given):
        return "given-at-unknown-time"
    soonest = timedelta(hours=int(medicine.not_before.value))
    close = any(later - earlier < soonest for later, earlier in pairwise(record.kept))
    return "doses-too-close" if close else ""


def in_a_row(record: Past) -> int:
    """The most doses that were missed one after another; those without a time may all be so."""
    events = sorted([*((at, False) for at in record.kept), *((at, True) for at in record.missed)])
    runs = [len(list(run)) for missed, run in groupby(events, key=lambda each: each[1]) if missed]
    return max(runs, default=0) + record.missed_some_time


def next_due(medicine: Medicine, facts: Facts, record: Past, interval: timedelta) -> datetime:
    """By the hours since the last dose: now, when enough have passed, else at its usual time."""
    if not record.kept:
        return facts.case.as_of
    last, soonest = record.kept[0], timedelta(hours=int(medicine.not_before.value))
    return facts.case.as_of if facts.case.as_of - last >= soonest else last + interval


def running_courses(
    needs: Iterable[Need], facts: Facts, kg: Decimal | None
) -> tuple[RunningCourse, ...]:
    """Every course that runs by an order, or of which doses of this illness are recorded."""
    case = facts.case
    if not (case.given or case.in_use or case.missed):
        return ()
    asked: dict[str, list[Need]] = {}
    for need in needs:
        for code in (*need.course.medicines, need.course.alternative):
            asked.setdefault(code, []).append(need)
    touched = {each.medicine for each in case.given} | {each.medicine for each in case.in_use}
    touched |= {each.medicine for each in case.missed}
    found = (
        _course(facts.protocol.medicine_by_code[code], asked.get(code, []), facts, kg)
        for code in sorted(touched)
    )
    return tuple(course for course in found if course is not None)


def serves(course: RunningCourse, need: Need) -> bool:
    """Whether the order that runs is what the need asks for, so that none is written."""
    forbidden = course.state == "stop" and not course.complete
    named = course.medicine in (*need.course.medicines, need.course.alternative)
    return course.ordered and named and not forbidden


def in_use(medicine: Medicine, facts: Facts, since: date | None = None) -> list[MedicineInUse]:
    """What the record says of its being given now; an old order is none.

    `since`: the day of the visit at which the treatment was begun, where it goes on.
    """
    uses = (use for use in facts.case.in_use if use.medicine == medicine.code)
    return [use for use in uses if not _is_old(use, since, facts)]


def is_running(use: MedicineInUse, facts: Facts) -> bool:
    """Whether what the record says is in use still runs; an order that ended long ago does not."""
    return not _is_old(use, None, facts)


def _is_old(use: MedicineInUse, since: date | None, facts: Facts) -> bool:
    if use.ordered and is_outdated(use, facts):
        return True
    if since is not None or not use.ordered:
        return False
    begun = None if use.since is None else use.since.date()
    return _is_over(use, past(use.medicine, facts, begun), facts)


def is_outdated(use: MedicineInUse, facts: Facts) -> bool:
    """Whether an order is of a day on which another dose was right than today."""
    since = right_since(facts.protocol.medicine_by_code[use.medicine], facts)
    return since is not None and use.since is not None and use.since.date() < since


def kind(medicine: Medicine) -> str:
    """What it does: the third level of its ATC code (J01C: penicillins)."""
    return medicine.atc[:4]


class _Found(NamedTuple):
    medicine: Medicine
    needs: list[Need]
    longest: Need | None
    order: MedicineInUse | None
    record: Past
    began: date
    days: int

    @property
    def a_day(self) -> int:
        return _a_day(self.order, self.medicine)

    @property
    def interval(self) -> timedelta:
        return timedelta(hours=24) / self.a_day


def _a_day(order: MedicineInUse | None, medicine: Medicine) -> int:
    told = None if order is None else order.a_day
    return told or int(medicine.times_a_day.value)


def _unrecorded(order: MedicineInUse | None, medicine: Medicine, record: Past, facts: Facts) -> int:
    begun = None if order is None else order.since
    interval = timedelta(hours=24) / _a_day(order, medicine)
    return unrecorded_doses(record, begun, interval, facts.case.as_of)


def doses_so_far(medicine: Medicine, facts: Facts, since: date | None = None) -> int:
    """At least so many doses are given, or were due by an order that runs and are not recorded.

    `since`: the day of the visit at which the treatment was begun, where it goes on. What nobody
    recorded may have been given, so it counts: unknown is never absent.
    """
    order = _order(medicine.code, facts)
    begun = since if order is None or order.since is None else order.since.date()
    record = past(medicine.code, facts, begun)
    if order is None or not is_running(order, facts):
        return len(record.kept)
    known = len(record.kept) + _unrecorded(order, medicine, record, facts)
    days = 0 if begun is None else (facts.case.as_of.date() - begun).days
    return max(known, int(days > len(record.missed) + record.missed_some_time))


def _course(
    medicine: Medicine, needs: list[Need], facts: Facts, kg: Decimal | None
) -> RunningCourse | None:
    if any(need.course.once for need in needs):
        return None  # one dose of an illness is no course
    longest = max((need for need in needs if need.course.days), key=_days, default=None)
    since = min((need.since for need in needs if need.since is not None), default=None)
    order = _order(medicine.code, facts)
    begun = since if order is None or order.since is None else order.since.date()
    record = past(medicine.code, facts, begun)
    length = _length(order, longest)
    events = (*record.kept, *record.lost, *record.missed)
    if length is None or (order is None and (longest is None or not events)):
        return None
    starts = [at.date() for at in events] + ([begun] if order is not None and begun else [])
    if not starts or (order is not None and since is None and _is_over(order, record, facts)):
        return None
    found = _Found(medicine, needs, longest, order, record, min(starts), length)
    words = CourseWords()
    if order is not None:
        words = course_words(order, medicine, found.began, facts, kg)
    return _made(found, facts, _differs(found, facts, kg))._replace(words=words)


def _differs(
    found: _Found, facts: Facts, kg: Decimal | None
) -> tuple[tuple[Message, Message], ...]:
    if found.order is None:
        return ()
    longest = None if found.longest is None else _days(found.longest)
    if not found.needs:
        limits = [c.beyond.value for c in found.medicine.cautions if c.beyond is not None]
        longest = int(min(limits)) if limits else None
    return differences(found.order, found.medicine, found.began, longest, facts, kg)


def _days(need: Need) -> int:
    return 0 if need.course.days is None else int(need.course.days.value)


def _length(order: MedicineInUse | None, longest: Need | None) -> int | None:
    if order is not None and order.days is not None:
        return order.days
    return None if longest is None else _days(longest)


def _order(code: str, facts: Facts) -> MedicineInUse | None:
    """The order that runs: the latest, when there are several."""
    orders = [use for use in facts.case.in_use if use.medicine == code and use.ordered]
    orders = [use for use in orders if not is_outdated(use, facts)]
    dated = sorted((use for use in orders if use.since is not None), key=_since)
    return dated[-1] if dated else next(iter(orders), None)


def _contradict(code: str, facts: Facts) -> bool:
    """Whether active orders of one medicine name different amounts, or times a day."""
    orders = [use for use in facts.case.in_use if use.medicine == code and use.ordered]
    return len({(str(use.amount), use.a_day) for use in orders}) > 1


def _since(use: MedicineInUse) -> float:
    return 0.0 if use.since is None else use.since.timestamp()


def _is_over(order: MedicineInUse, record: Past, facts: Facts) -> bool:
    """Whether an order is still active in the record though its course ended long ago."""
    ends = [*record.kept[:1], *record.missed[:1]]
    if order.since is not None and order.days is not None:
        ends.append(order.since + timedelta(days=order.days))
    gap = facts.protocol.course_gap_time
    return bool(ends) and facts.case.as_of - max(ends) > gap


def _made(
    found: _Found, facts: Facts, differs: tuple[tuple[Message, Message], ...]
) -> RunningCourse:
    record, medicine, order = found.record, found.medicine, found.order
    total = _total(found, facts)
    given = len(record.kept)
    unrecorded = min(_unrecorded(order, medicine, record, facts), max(0, total - given))
    left = max(0, total - given - unrecorded)
    open_ended = _is_open_ended(found, facts)
    state = _state(medicine, facts, left, open_ended=open_ended)
    if state == "continue" and (differs or _contradict(medicine.code, facts)):
        state = "hold"
    unclear = doubt(medicine, facts, record) if state == "continue" else ""
    due, change = None, None
    if state == "continue" and not unclear:
        due = next_due(medicine, facts, record, found.interval)
    if due is not None and order is not None:  # without an order one is written for the rest
        change, left = _until(found, facts, due, left)
        state, due = ("continue", due) if left else ("renew", None)
    repeat = due == facts.case.as_of and order is not None and repeat_is_due(facts, medicine.code)
    last = None if due is None else (due + (left - 1) * found.interval).date()
    if due is not None and repeat:
        due = due + found.interval if left > 1 else None
    branches = {need.branch for need in found.needs}
    return RunningCourse(
        medicine=medicine.code,
        branch=branches.pop() if len(branches) == 1 else "",
        state=state,
        began=found.began,
        day=(facts.case.as_of.date() - found.began).days + 1,
        given=given,
        missed=len(record.missed) + record.missed_some_time,
        unrecorded=unrecorded,
        total=total,
        left=left,
        next_due=due,
        last_day=last,
        complete=left == 0 and not open_ended,
        ordered=order is not None,
        doubt=unclear,
        replaced=False,
        repeat_now=repeat,
        differs=differs,
        in_a_row=in_a_row(record),
        asked_for=bool(found.needs),
        longer=_longer(found, total),
        cite=facts.protocol.courses.cite,
        origin=None if order is None else order.origin,
        amount=None if order is None else order.amount,
        change=change,
    )


def _until(found: _Found, facts: Facts, due: datetime, left: int) -> tuple[Change | None, int]:
    """The change of dose within the doses that are left, and those before it."""
    change = change_after(found.medicine, facts, facts.case.as_of.date())
    before = doses_before(change, due, left, found.interval)
    return (change if before < left else None), before


def _total(found: _Found, facts: Facts) -> int:
    """Doses of the whole course.

    An order that was written for the rest of one counts from its own day, and what was given
    before is added; it is known by that the two together fit into the course that is due.
    """
    order, longest, a_day = found.order, found.longest, found.a_day
    days = min((found.days, *stopped(found.medicine, facts)))
    total = days * a_day
    if order is None or order.since is None or longest is None:
        return total
    before = sum(1 for at in found.record.kept if at < order.since)
    return total + before if total + before <= _days(longest) * a_day else total


def stopped(medicine: Medicine, facts: Facts) -> list[int]:
    """The days after which a condition of the medicine stops its course, if one holds."""
    return [
        int(caution.stop_at.value)
        for caution in medicine.cautions
        if caution.stop_at is not None and (caution.when is None or holds(caution.when, facts))
    ]


def course_days(course: Course, stops: list[int]) -> int | None:
    """Length of a course, cut short where a condition of the medicine says so."""
    return None if course.days is None else min((int(course.days.value), *stops))


def _longer(found: _Found, total: int) -> int | None:
    """Days of a class found now, when the order that runs is for fewer."""
    new = max((need.new_days for need in found.needs), default=0)
    return new if found.order is not None and new * found.a_day > total else None


def _is_open_ended(found: _Found, facts: Facts) -> bool:
    """Whether the treatment goes on after the doses that were ordered.

    A medicine that no class of this visit asks for may still be due: what it is given for may not
    have been assessed. So it goes on when the protocol never gives it for a fixed time.
    """
    if stopped(found.medicine, facts):
        return False
    if found.needs:
        return any(need.course.at_least for need in found.needs)
    return found.medicine.code in facts.protocol.open_ended


def _state(medicine: Medicine, facts: Facts, left: int, *, open_ended: bool) -> str:
    if facts.any_yes(medicine.avoid_with) or (left == 0 and not open_ended):
        return "stop"
    reasons = [facts.protocol.courses.hold_when, *(c.when for c in medicine.contraindications)]
    if any(reason is not None and holds(reason, facts) for reason in reasons):
        return "hold"
    return "continue" if left else "renew"
