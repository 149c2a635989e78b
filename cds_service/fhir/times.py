"""FHIR R4 dates and times: dateTime, and date and instant as kinds of it.

FHIR R4 data types: a dateTime is a year, a month, a day, or a time with seconds and an offset.
A date alone is kept as the span that it is.
"""

import re
from calendar import monthrange
from datetime import date, datetime
from functools import lru_cache

from cds_service.fhir.wire_error import WireError

FIRST_YEAR, LAST_YEAR = 1900, 2199
"""Years that are read: outside them a date is a slip, and arithmetic on it could overflow."""

_DATE = r"(?P<year>\d{4})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d))?)?"
_TIME = (
    r"T(?P<clock>\d\d:\d\d:\d\d)(?P<part>\.\d+)?(?P<zone>Z|[+-](?:0\d|1[0-3]):[0-5]\d|[+-]14:00)"
)
_WHOLE = re.compile(rf"{_DATE}(?:(?<=-\d\d-\d\d){_TIME})?", re.ASCII)

_REMEDY = "Send YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with Z or an offset (+02:00)."


class When:
    """A FHIR dateTime as it was sent: an exact moment, or the days from `first` to `last`.

    Not a dataclass: msgspec would take that for a JSON object.
    """

    __slots__ = ("exact", "first", "last")

    def __init__(self, first: date, last: date, exact: datetime | None) -> None:
        self.first = first
        self.last = last
        self.exact = exact


def ends_before(end: When, start: When) -> bool:
    """Whether `end` lies wholly before `start`, as far as both are known.

    >>> ends_before(parse("2026-05-01"), parse("2026-05"))
    False
    """
    if end.exact is not None and start.exact is not None:
        return end.exact < start.exact
    return end.last < start.first


@lru_cache(maxsize=4096)
def parse(text: str) -> When:
    """Read a dateTime; a date and an instant are two kinds of it.

    Raises WireError: not of that form, not a day of the calendar, or a year that is not read.

    >>> parse("2026-02").last
    datetime.date(2026, 2, 28)
    >>> parse("2026-05-01T09:30:00+02:00").exact.isoformat()
    '2026-05-01T09:30:00+02:00'
    >>> parse("2026-02-30")
    Traceback (most recent call last):
    ...
    cds_service.fhir.wire_error.WireError: There is no such day or time.
    """
    match = _WHOLE.fullmatch(text)
    if match is None:
        raise WireError("value", "The text is not a FHIR date or time.", _REMEDY)
    if not FIRST_YEAR <= int(match["year"]) <= LAST_YEAR:
        what = f"The year is not between {FIRST_YEAR} and {LAST_YEAR}."
        raise WireError("value", what, "Check the date.")
    try:
        return When(*_span(match), _moment(match))
    except ValueError:
        raise WireError("value", "There is no such day or time.", _REMEDY) from None


def _span(match: re.Match[str]) -> tuple[date, date]:
    year = int(match["year"])
    if match["month"] is None:
        return date(year, 1, 1), date(year, 12, 31)
    month = int(match["month"])
    if match["day"] is None:
        return date(year, month, 1), date(year, month, monthrange(year, month)[1])
    day = date(year, month, int(match["day"]))
    return day, day


def _moment(match: re.Match[str]) -> datetime | None:
    if match["clock"] is None:
        return None
    # FHIR allows a leap second, Python does not: it is read as the second before.
    clock = match["clock"].removesuffix(":60") + ":59" * match["clock"].endswith(":60")
    part = (match["part"] or "")[:7]
    return datetime.fromisoformat(
        f"{match['year']}-{match['month']}-{match['day']}T{clock}{part}{match['zone']}"
    )
