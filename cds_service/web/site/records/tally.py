"""How many recommendations there are of each kind, kept in memory by every process.

Counting a log of a hundred thousand anew for every page would take seconds. So each entry is
looked at once, by its columns; what is fed back or erased later moves its recommendation to
another kind. It takes some bytes an entry, holds nothing of an infant, and is made again after a
restart.
"""

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, tzinfo
from itertools import islice
from typing import NamedTuple

from cds_service.audit.outline import Outline
from cds_service.audit.record import ERASURE, FEEDBACK, RECOMMENDATION

ACCEPTED, OVERRIDDEN = 1, 2
"""Marks of what was fed back: both, when both were."""
_MARKS = {"accepted": ACCEPTED, "overridden": OVERRIDDEN}
_NONE = -1


class Kind(NamedTuple):
    """Recommendations that no chart tells apart but by their day."""

    tenant: str
    caller: str
    protocol: str
    outcome: str
    classes: tuple[str, ...]
    review: int
    erased: bool


Days = Mapping[date, int]
"""How many on each day, in the zone of the service."""
Counted = Sequence[tuple[Kind, Days]]


class Tally:
    """The counts of one log; `zone` is that in which a day is meant."""

    def __init__(self, zone: tzinfo | None) -> None:
        self._zone = zone
        self._numbers: dict[Kind, int] = {}
        self._kinds: list[Kind] = []
        self._days: list[dict[date, int]] = []
        self._kind_of = array("i")
        """Of each entry the number of its kind; _NONE: it is no recommendation."""
        self._day_of = array("i")
        """Of each entry its day, as `date.toordinal` counts."""
        self._dates: dict[int, date] = {}
        self._said: dict[int, tuple[int, int]] = {}
        """Of each feedback: about which entry, and its mark."""
        self._about: dict[int, dict[int, int]] = {}
        """The marks of each entry that was fed back about, by the feedback."""

    @property
    def size(self) -> int:
        """How many entries of the log were looked at."""
        return len(self._kind_of)

    def add(self, outlines: Iterable[Outline]) -> None:
        """Look at the entries that follow, in order."""
        for found in outlines:
            self._day_of.append(found.recorded.astimezone(self._zone).toordinal())
            if found.kind == RECOMMENDATION:
                self._kind_of.append(self._number(_kind(found)))
                self._count(self.size - 1, 1)
                continue
            self._kind_of.append(_NONE)
            if found.about is None:
                continue
            if found.kind == FEEDBACK and (mark := _MARKS.get(found.outcome)):
                self._said[found.position] = found.about, mark
                self._about.setdefault(found.about, {})[found.position] = mark
                self._review(found.about)
            elif found.kind == ERASURE:
                self._erase(found.about)

    def kinds(self, wanted: Callable[[Kind], bool]) -> Counted:
        """The kinds that are wanted, with how many recommendations they have on each day."""
        pairs = zip(self._kinds, self._days, strict=True)
        return [(kind, days) for kind, days in pairs if days and wanted(kind)]

    def newest(
        self,
        wanted: Callable[[Kind], bool],
        limit: int,
        *,
        below: int | None = None,
        since: date | None = None,
        until: date | None = None,
    ) -> list[int]:
        """Where the newest recommendations stand that are wanted, recorded on these days."""
        numbers = {at for at, kind in enumerate(self._kinds) if wanted(kind)}
        first, last = (since or date.min).toordinal(), (until or date.max).toordinal()
        kind_of, day_of = self._kind_of, self._day_of
        top = self.size if below is None else min(below, self.size)
        found = (
            at
            for at in range(top - 1, -1, -1)
            if kind_of[at] in numbers and first <= day_of[at] <= last
        )
        return list(islice(found, limit))

    def of(self, positions: Iterable[int]) -> Counted:
        """The same of these entries only, as far as they were looked at."""
        found: dict[int, dict[date, int]] = defaultdict(lambda: defaultdict(int))
        for at in positions:
            if at < self.size and self._kind_of[at] != _NONE:
                found[self._kind_of[at]][self._date(at)] += 1
        return [(self._kinds[number], days) for number, days in found.items()]

    def _number(self, kind: Kind) -> int:
        number = self._numbers.setdefault(kind, len(self._kinds))
        if number == len(self._kinds):
            self._kinds.append(kind)
            self._days.append({})
        return number

    def _count(self, position: int, step: int) -> None:
        days, day = self._days[self._kind_of[position]], self._date(position)
        if (count := days.get(day, 0) + step) > 0:
            days[day] = count
        else:
            del days[day]

    def _date(self, position: int) -> date:
        day = self._day_of[position]
        known = self._dates.get(day)
        if known is None:
            known = self._dates[day] = date.fromordinal(day)
        return known

    def _move(self, position: int, to: Callable[[Kind], Kind]) -> None:
        if not 0 <= position < self.size or (was := self._kind_of[position]) == _NONE:
            return
        self._count(position, -1)
        self._kind_of[position] = self._number(to(self._kinds[was]))
        self._count(position, 1)

    def _review(self, position: int) -> None:
        marks = 0
        for mark in self._about.get(position, {}).values():
            marks |= mark
        self._move(position, lambda kind: kind._replace(review=marks))

    def _erase(self, position: int) -> None:
        if position in self._said:
            about, _ = self._said.pop(position)
            self._about[about].pop(position)
            self._review(about)
        self._move(position, lambda kind: kind._replace(outcome="", classes=(), erased=True))


def _kind(found: Outline) -> Kind:
    origin = found.tenant, found.caller
    return Kind(*origin, found.protocol, found.outcome, found.classes, 0, found.erased)


def within(counted: Counted, since: date | None, until: date | None) -> Counted:
    """The same on these days only, both included."""
    if since is None and until is None:
        return counted
    first, last = since or date.min, until or date.max
    cut = (
        (kind, {day: count for day, count in days.items() if first <= day <= last})
        for kind, days in counted
    )
    return [(kind, days) for kind, days in cut if days]
