"""The visits to come on a calendar: the weeks from this one to that of the last visit."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from babel import Locale
from babel.dates import format_date

from cds_service.web.site.trying.steps import Visit

MOST_WEEKS = 10
"""Later visits are in the list only."""
_WEEK = timedelta(days=7)


class Day(NamedTuple):
    """One day."""

    number: int
    month: str
    """Its month, where a month begins on the calendar; else ""."""
    past: bool
    today: bool
    visit: bool


class Calendar(NamedTuple):
    """Names of the days of the week, and the weeks."""

    heads: tuple[tuple[str, str], ...]
    """Short and whole name of each day of the week."""
    weeks: tuple[tuple[Day, ...], ...]


def calendar_of(today: date, visits: Sequence[Visit], language: str) -> Calendar | None:
    """The calendar in a language's order of days; None without visits."""
    if not visits:
        return None
    locale = Locale.parse(language, sep="-")
    marked = {day for visit in visits for day in visit.days()}
    begin = today - timedelta(days=(today.weekday() - locale.first_week_day) % 7)
    weeks = min((max(marked) - begin).days // 7 + 1, MOST_WEEKS)
    return Calendar(
        tuple(_heads(locale)),
        tuple(tuple(_week(begin + each * _WEEK, today, marked, locale)) for each in range(weeks)),
    )


def said(day: date, language: str) -> str:
    """A day in words.

    >>> said(date(2026, 5, 1), "en")
    'Friday, 1 May 2026'
    """
    form = "EEEE, d MMMM y" if language == "en" else "full"
    return format_date(day, form, Locale.parse(language, sep="-"))


def _heads(locale: Locale) -> Iterator[tuple[str, str]]:
    short = locale.days["stand-alone"]["abbreviated"]
    whole = locale.days["stand-alone"]["wide"]
    for place in range(7):
        day = (locale.first_week_day + place) % 7
        yield short[day], whole[day]


def _week(begin: date, today: date, marked: set[date], locale: Locale) -> Iterator[Day]:
    months = locale.months["format"]["abbreviated"]
    for place in range(7):
        day = begin + timedelta(days=place)
        named = day.day == 1 or (place == 0 and begin <= today)
        month = months[day.month] if named else ""
        yield Day(day.day, month, day < today, day == today, day in marked)
