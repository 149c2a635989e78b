"""What the charts show, worked out from counts: periods, classes, shares, and where bars stand.

Lengths are percentages of a chart; nothing here knows how it is drawn.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

from cds_service.web.site.records.tally import ACCEPTED, OVERRIDDEN, Counted, Days, Kind

MOST_BARS = 62
"""Periods in a chart: days while they fit, then weeks, months, years."""
MOST_CLASSES = 12
"""Classes with a bar of their own."""
INCOMPLETE = "data-required"


@dataclass(frozen=True, slots=True)
class Part:
    """How many of some recommendations."""

    count: int
    of: int

    @property
    def percent(self) -> float:
        """Of a hundred; 0 when there are none at all."""
        return 100 * self.count / self.of if self.of else 0.0


@dataclass(frozen=True, slots=True)
class Period:
    """One bar: the recommendations from the first to the last day."""

    first: date
    last: date
    count: int
    incomplete: Part
    overridden: Part


@dataclass(frozen=True, slots=True)
class Summary:
    """What is known of a selection without opening an entry."""

    total: int
    periods: tuple[Period, ...]
    step: str
    """"day", "week", "month" or "year"."""
    classes: tuple[tuple[str, int], ...]
    """Code and count, the most frequent first."""
    further: int
    """Classes that have no bar."""
    outcomes: tuple[tuple[str, int], ...]
    incomplete: Part
    overridden: Part
    accepted: int
    erased: int

    @property
    def tallest(self) -> int:
        """The count of the tallest bar, at least 1."""
        return max((each.count for each in self.periods), default=0) or 1

    def ceiling(self, share: str) -> int:
        """Where the scale of a share ends, in percent: the next round number."""
        most = max((getattr(each, share).percent for each in self.periods), default=0)
        return next(end for end in (5, 10, 20, 50, 100) if most <= end)

    def columns(self, share: str = "") -> list[tuple[float, Period, str]]:
        """Height in percent, period and words of each bar: of all, or of one share of them."""
        if not share:
            tallest = self.tallest
            return [(100 * each.count / tallest, each, str(each.count)) for each in self.periods]
        parts = [(getattr(each, share), each) for each in self.periods]
        ceiling = self.ceiling(share)
        return [
            (100 * part.percent / ceiling, each, f"{part.count} of {part.of}")
            for part, each in parts
        ]


def summary(counted: Counted) -> Summary:
    """The summary of these kinds."""
    sums = [(kind, sum(days.values())) for kind, days in counted]
    total = sum(count for _, count in sums)
    classes: Counter[str] = Counter()
    outcomes: Counter[str] = Counter()
    for kind, count in sums:
        classes.update(dict.fromkeys(kind.classes, count))
        outcomes["erased" if kind.erased else kind.outcome] += count
    ranked = sorted(classes.items(), key=lambda each: (-each[1], each[0]))
    step, periods = _periods(_by_day(counted))
    return Summary(
        total,
        tuple(periods),
        step,
        tuple(ranked[:MOST_CLASSES]),
        max(0, len(ranked) - MOST_CLASSES),
        tuple(sorted(outcomes.items(), key=lambda each: (-each[1], each[0]))),
        Part(_sum(sums, is_incomplete), total),
        Part(_sum(sums, is_overridden), total),
        _sum(sums, lambda kind: kind.review == ACCEPTED),
        _sum(sums, lambda kind: kind.erased),
    )


def is_incomplete(kind: Kind) -> bool:
    """Whether something was missing without which the answer could not be whole."""
    return kind.outcome == INCOMPLETE


def is_overridden(kind: Kind) -> bool:
    """Whether somebody decided otherwise."""
    return bool(kind.review & OVERRIDDEN)


def _sum(sums: Iterable[tuple[Kind, int]], wanted: Callable[[Kind], bool]) -> int:
    return sum(count for kind, count in sums if wanted(kind))


class _Counts(NamedTuple):
    """By day: all, incomplete and overridden."""

    whole: dict[date, int]
    incomplete: dict[date, int]
    overridden: dict[date, int]


def _by_day(counted: Counted) -> _Counts:
    return _Counts(
        _added(days for _, days in counted),
        _added(days for kind, days in counted if is_incomplete(kind)),
        _added(days for kind, days in counted if is_overridden(kind)),
    )


def _added(several: Iterable[Days]) -> dict[date, int]:
    sums: dict[date, int] = defaultdict(int)
    for days in several:
        for day, count in days.items():
            sums[day] += count
    return sums


def _periods(days: _Counts) -> tuple[str, Iterable[Period]]:
    """The periods without a gap, in steps as fine as there is room for."""
    if not days.whole:
        return "day", ()
    first, last = min(days.whole), max(days.whole)
    for step, begin in _STEPS.items():
        starts = _starts(begin(first), last, step)
        if len(starts) <= MOST_BARS or step == "year":
            break
    sums = _Counts(*(_added({begin(day): count} for day, count in each.items()) for each in days))
    return step, [_period(start, step, sums) for start in starts]


def _period(start: date, step: str, sums: _Counts) -> Period:
    whole, incomplete, overridden = (each.get(start, 0) for each in sums)
    last = _next(start, step) - timedelta(days=1)
    return Period(start, last, whole, Part(incomplete, whole), Part(overridden, whole))


_STEPS: dict[str, Callable[[date], date]] = {
    "day": lambda day: day,
    "week": lambda day: day - timedelta(days=day.weekday()),
    "month": lambda day: day.replace(day=1),
    "year": lambda day: day.replace(month=1, day=1),
}
"""The first day of the period that a day is in; weeks begin on Monday (ISO 8601)."""


def _starts(first: date, last: date, step: str) -> Sequence[date]:
    # One more than there is room for tells that it is too fine.
    starts = [first]
    while (after := _next(starts[-1], step)) <= last:
        starts.append(after)
        if len(starts) > MOST_BARS and step != "year":
            break
    return starts


def _next(start: date, step: str) -> date:
    if step == "day":
        return start + timedelta(days=1)
    if step == "week":
        return start + timedelta(days=7)
    if step == "month":
        return (start + timedelta(days=31)).replace(day=1)
    return start.replace(year=start.year + 1)
