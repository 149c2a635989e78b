"""What the form sent, checked: values fit for a request, or what is wrong at which field."""

import re
from collections.abc import Collection, Iterator, Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import number
from cds_service.web import problems
from cds_service.web.site.trying.posted import Posted
from cds_service.web.site.trying.questions import (
    AGAIN,
    AGE,
    ANSWERED,
    BORN,
    BORN_AT,
    LANGUAGE,
    SEX,
    SEXES,
    SITE,
    SITES,
    STOCK,
    UNIT,
    Form,
    Question,
)
from cds_service.web.site.words import Words

# A comma with three digits behind it may part thousands: never a guess.
_NUMBER = re.compile(r"\d{1,6}(\.\d{1,12})?|\d{1,6},\d{1,2}", re.ASCII)
_DAYS = re.compile(r"\d{1,3}", re.ASCII)


class Fault(NamedTuple):
    """What is wrong at a field ("" : at none of them), and what to do."""

    field: str
    what: str
    remedy: str


class Checked(NamedTuple):
    """The values by the names of their fields; of no use while there are faults."""

    values: Mapping[str, str]
    stock: tuple[str, ...]
    faults: tuple[Fault, ...]


def names(form: Form) -> frozenset[str]:
    """The names of all fields that ask something."""
    found = {BORN, BORN_AT, AGE, SEX, LANGUAGE, STOCK}
    for group in form.groups:
        for each in group.questions:
            found.add(each.code)
            if each.units:
                found |= {each.code + end for end in (UNIT, SITE, AGAIN)}
    return frozenset(found)


def checked(posted: Posted, form: Form, protocol: Protocol, day: datetime, say: Words) -> Checked:
    """Check every field; `day` is when the visit is. Raises Refused (400): no form sends that."""
    values = {name: text.strip() for name, text in posted.one.items() if text.strip()}
    stock = posted.many.get(STOCK, ())
    _among(stock, {code for code, _ in form.stock})
    _chosen(values, {SEX: SEXES, LANGUAGE: {tag for tag, _ in form.languages}})
    faults: list[Fault] = []
    for group in form.groups:
        for each in group.questions:
            faults += _question(values, each, protocol, say)
    faults += _birth(values, day, say)
    return Checked(values, tuple(sorted(set(stock))), tuple(faults))


def _chosen(values: Mapping[str, str], known: Mapping[str, Collection[str]]) -> None:
    for name, choices in known.items():
        if name in values:
            _among((values[name],), choices)


def _among(sent: Collection[str], choices: Collection[str]) -> None:
    if not set(sent) <= set(choices):
        what = "A field has a value that cannot be chosen."
        raise problems.refused(400, "value", what, "Open the page again and fill in its form.")


def _question(
    values: dict[str, str], asked: Question, protocol: Protocol, say: Words
) -> Iterator[Fault]:
    if not asked.units:
        _chosen(values, {asked.code: ANSWERED})
        return
    unit = values.setdefault(asked.code + UNIT, protocol.measure_by_code[asked.code].unit)
    _among((unit,), protocol.measure_by_code[asked.code].units)
    _chosen(values, {asked.code + SITE: SITES})
    for name in (asked.code, asked.code + AGAIN):
        text = values.get(name, "")
        if text and not _NUMBER.fullmatch(text):
            yield Fault(name, say("fault.number"), say("fault.number.do"))
        elif text:
            values[name] = number(Decimal(text.replace(",", ".")))
    if values.get(asked.code + AGAIN) and not values.get(asked.code):
        yield Fault(asked.code, say("fault.again"), say("fault.again.do"))


def _birth(values: dict[str, str], day: datetime, say: Words) -> Iterator[Fault]:
    """Let the birth date say what the age says; both have to say the same."""
    born, age = values.get(BORN, ""), values.pop(AGE, "")
    if born and not _is_date(born):
        yield Fault(BORN, say("fault.date"), say("fault.date.do"))
    elif age and not _DAYS.fullmatch(age):
        yield Fault(AGE, say("fault.age"), say("fault.age.do"))
    elif age:
        of_age = (day.date() - timedelta(days=int(age))).isoformat()
        if born not in ("", of_age):
            yield Fault(AGE, say("fault.both"), say("fault.both.do"))
        values[BORN] = of_age
    at = values.get(BORN_AT, "")
    if at and not _is_time(at):
        yield Fault(BORN_AT, say("fault.time"), say("fault.time.do"))
    elif at and not values.get(BORN):
        yield Fault(BORN, say("fault.no-date"), say("fault.no-date.do"))


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _is_time(text: str) -> bool:
    try:
        return time.fromisoformat(text).isoformat("minutes") == text
    except ValueError:
        return False
