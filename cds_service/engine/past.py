"""What the record holds of the doses of one medicine: given, vomited, missed, or nothing at all.

Clinical content, section 3: "already given" is judged by hours since the dose.
"""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from cds_service.case import GivenDose
from cds_service.engine.facts import Facts
from cds_service.engine.vomited import not_kept


class Past(NamedTuple):
    """What the record holds of one medicine; times are latest first."""

    kept: tuple[datetime, ...]
    """Doses that count as given."""
    lost: tuple[datetime, ...]
    """Doses that were vomited and count as not given."""
    missed: tuple[datetime, ...]
    missed_some_time: int
    """Missed doses of which nobody wrote down when."""


_NOTHING = Past((), (), (), 0)


def past(medicine: str, facts: Facts, since: date | None = None) -> Past:
    """The doses of the running course.

    A gap longer than `course_gap` ends it: what was given before belongs to an earlier illness;
    but from `since`, the day on which an order or a treatment began, every dose belongs to it.
    """
    if not (facts.case.given or facts.case.missed):
        return _NOTHING
    given = [dose for dose in facts.case.given if dose.medicine == medicine]
    void = not_kept(facts, medicine) if given else set()
    times = tuple(_of_this_course(given, facts, since))
    first = min((*(at.date() for at in times), *(() if since is None else (since,))), default=None)
    missed = [dose.at for dose in facts.case.missed if dose.medicine == medicine]
    known = {at for at in missed if at is not None and (first is None or at.date() >= first)}
    return Past(
        kept=tuple(at for at in times if at not in void),
        lost=tuple(at for at in times if at in void),
        missed=tuple(sorted(known, reverse=True)),
        missed_some_time=missed.count(None),
    )


def _of_this_course(given: list[GivenDose], facts: Facts, since: date | None) -> Iterator[datetime]:
    gap = facts.protocol.course_gap_time
    later = facts.case.as_of
    for at in sorted({dose.at for dose in given if dose.at is not None}, reverse=True):
        if later - at > gap and (since is None or at.date() < since):
            return
        yield at
        later = at


def unrecorded_doses(
    record: Past, begun: datetime | None, interval: timedelta, as_of: datetime
) -> int:
    """Doses that were due by the schedule so far and are recorded neither way.

    Counted from `begun` (None: from what is recorded first) and between what is recorded, so that
    a dose that came late moves those after it.
    """
    events = sorted((*record.kept, *record.lost, *record.missed))
    count = 0
    if begun is not None:
        first = events[0] if events else as_of
        count += _slots(first - begun, interval)
    for earlier, later in pairwise([*events, as_of] if events else []):
        count += max(0, _slots(later - earlier, interval) - 1)
    return max(0, count - record.missed_some_time)


def _slots(gap: timedelta, interval: timedelta) -> int:
    """Whole intervals in a gap, to the nearest; half of one is not yet one."""
    return max(0, -((interval - 2 * gap) // (2 * interval)))
