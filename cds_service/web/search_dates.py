"""A `date` of a search as a span of time (FHIR R4 search.html#date, from memory).

Looser than a date in a resource: seconds may be left out, and the zone, which is then the
server's; any year that FHIR has is a date, also one in which nothing can have been recorded. An
entry is recorded at one moment, so `sa` (starts after) is `gt` and `eb` (ends before) is `lt`;
`ne` and `ap` are not supported.
"""

import re
from calendar import monthrange
from datetime import UTC, date, datetime, time, timedelta, tzinfo

_DATE = re.compile(
    r"(?P<prefix>eq|ge|gt|le|lt|sa|eb)?"
    r"(?P<year>\d{4})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d)"
    r"(?:T(?P<clock>\d\d:\d\d)(?::(?P<second>\d\d)(?:\.(?P<part>\d{1,9}))?)?"
    r"(?P<zone>Z|[+-](?:0\d|1[0-3]):[0-5]\d|[+-]14:00)?)?)?)?",
    re.ASCII,
)
EARLIEST, LATEST = datetime(2, 1, 1, tzinfo=UTC), datetime(9998, 12, 31, tzinfo=UTC)
"""What lies outside is taken as these: beyond them a change of zone may leave the calendar."""

Span = tuple[datetime | None, datetime | None]


def span(value: str, zone: tzinfo | None) -> Span:
    """From when (included) to when (not included) a `date` lies; None: without an end.

    What is written is a span: a day is all of it, a minute all of it, a second all of it. `zone`
    is that in which a time without zone is meant. Raises ValueError for what is no date.

    >>> since, before = span("2026-03-02T09:30:00Z", None)
    >>> before - since
    datetime.timedelta(seconds=1)
    >>> span("gt2026-03-02T09:30:00Z", None) == (before, None)
    True
    >>> span("le9999-12-31", UTC) == (None, LATEST)
    True
    """
    found = _DATE.fullmatch(value)
    if found is None:
        raise ValueError("not a date")
    first, end = _ends(found, zone)
    return {
        "ge": (first, None), "gt": (end, None), "sa": (end, None),
        "lt": (None, first), "eb": (None, first), "le": (None, end),
    }.get(found["prefix"] or "", (first, end))  # fmt: skip


def _ends(found: re.Match[str], zone: tzinfo | None) -> tuple[datetime, datetime]:
    year, month, day = (int(found[name] or 1) for name in ("year", "month", "day"))
    if found["month"] is None:
        return _midnight(date(year, 1, 1), zone), _after(date(year, 12, 31), zone)
    if found["day"] is None:
        last = date(year, month, monthrange(year, month)[1])
        return _midnight(date(year, month, 1), zone), _after(last, zone)
    if found["clock"] is None:
        return _midnight(date(year, month, day), zone), _after(date(year, month, day), zone)
    first = _clamped(_moment(found, date(year, month, day), zone))
    return first, first + _step(found)


def _moment(found: re.Match[str], day: date, zone: tzinfo | None) -> datetime:
    hour, minute = map(int, found["clock"].split(":"))
    # FHIR allows a leap second, Python does not: it is read as the second before.
    second = 59 if found["second"] == "60" else int(found["second"] or 0)
    part = int((found["part"] or "0")[:6].ljust(6, "0"))
    said = datetime.combine(day, time(hour, minute, second, part), zone)
    if found["zone"] is None:
        return said
    return said.replace(tzinfo=datetime.fromisoformat(f"2000-01-01T00:00{found['zone']}").tzinfo)


def _step(found: re.Match[str]) -> timedelta:
    """How long the moment is that was written."""
    if found["second"] is None:
        return timedelta(minutes=1)
    if found["part"] is None:
        return timedelta(seconds=1)
    return timedelta(microseconds=10 ** (6 - min(6, len(found["part"]))))


def _midnight(day: date, zone: tzinfo | None) -> datetime:
    return _clamped(datetime.combine(day, time(), zone))


def _after(day: date, zone: tzinfo | None) -> datetime:
    """The end of a day: the next midnight, where there is a next day."""
    return LATEST if day == date.max else _midnight(day + timedelta(days=1), zone)


def _clamped(moment: datetime) -> datetime:
    """The moment, or the nearest that can be compared in every zone."""
    if moment.year < EARLIEST.year:
        return EARLIEST
    if moment.year > LATEST.year:
        return LATEST
    return max(EARLIEST, min(LATEST, moment.astimezone(UTC)))
