"""What a request says, as the values of the form's fields, and where in the request it says it."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

import orjson

from cds_service.case import Case, Measurement, Origin
from cds_service.content.model import Measure
from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import number
from cds_service.engine.settle import settle, visit_begins
from cds_service.fhir.read import read
from cds_service.web.site.trying.places import found_at
from cds_service.web.site.trying.questions import (
    AGAIN,
    BORN,
    BORN_AT,
    LANGUAGE,
    SEX,
    SEXES,
    SITE,
    UNIT,
    units_of,
)

Values = Mapping[str, str]
"""The value of each field by its name; a field that is not in it is empty or not assessed."""


@dataclass(frozen=True, slots=True)
class Filled:
    """A request as the form shows it."""

    body: bytes
    values: Values
    stock: tuple[str, ...]
    """Codes of the products in stock; empty when the request does not say."""
    as_of: datetime
    subject: str
    """The infant, as the other resources refer to it."""
    patient: str
    """FHIRPath of the Patient."""
    places: Mapping[str, tuple[str, ...]]
    """FHIRPath of everything that says something to a question now, by its code."""
    references: Mapping[str, str]
    """Field of each resource that says something, by how the answer refers to it."""


def filled(body: bytes, protocol: Protocol, now: datetime) -> Filled:
    """The values that a request fills in; raises RequestError when it cannot be read."""
    request = read(body, protocol, now=now)
    case, patient = request.case, request.case.subject_origin
    recorded = dict(_recorded(case, protocol))
    tree = orjson.loads(body)
    values = dict(_values(case, protocol, recorded, tree))
    values |= _of_patient(found_at(tree, patient.expression))
    if request.language:
        values[LANGUAGE] = request.language
    return Filled(
        body,
        values,
        tuple(sorted(case.stock or ())),
        case.as_of,
        patient.reference or case.subject,
        patient.expression,
        {code: tuple(each.expression for each in origins) for code, origins in recorded.items()},
        {each.reference: code for code, origins in recorded.items() for each in origins}
        | {patient.reference: BORN},
    )


def _recorded(case: Case, protocol: Protocol) -> Iterator[tuple[str, tuple[Origin, ...]]]:
    """Where each sign and measure is answered for this visit, or for longer."""
    oldest = visit_begins(case, protocol)
    found: dict[str, list[Origin]] = {}
    said = [(each.code, each.at, each.origin) for each in case.findings]
    said += [(each.kind, each.at, each.origin) for each in case.measurements]
    for code, at, origin in said:
        if _is_now(at, oldest) or _lasting(protocol, code):
            found.setdefault(code, []).append(origin)
    for refusal in case.refusals:
        if refusal.code:
            found.setdefault(refusal.code, []).append(refusal.origin)
    return ((code, tuple(origins)) for code, origins in found.items())


def _is_now(at: datetime | None, oldest: datetime) -> bool:
    return at is None or at >= oldest


def _lasting(protocol: Protocol, code: str) -> bool:
    asked = protocol.sign_by_code.get(code) or protocol.measure_by_code.get(code)
    return asked is not None and asked.lasting


def _values(
    case: Case, protocol: Protocol, recorded: Iterable[str], tree: Any
) -> Iterator[tuple[str, str]]:
    facts, oldest = settle(case, protocol), visit_begins(case, protocol)
    for code in recorded:
        if code in protocol.sign_by_code:
            said = {
                each.answer
                for each in case.findings
                if each.code == code and (_is_now(each.at, oldest) or _lasting(protocol, code))
            }
            # Only what was said: what follows from it is for the answer to say.
            answer = said.pop() if len(said) == 1 else facts.answer(code)
            yield code, answer.value
        elif code in facts.series:
            yield from _measured(protocol.measure_by_code[code], facts.series[code], tree)


def _measured(
    measure: Measure, series: tuple[Measurement, ...], tree: Any
) -> Iterator[tuple[str, str]]:
    code, counted_twice = measure.code, measure.repeat_within is not None and len(series) > 1
    shown = series[-2] if counted_twice else series[-1]
    yield code, _size(measure, shown, tree).text
    yield code + UNIT, _size(measure, shown, tree).unit
    if measure.sites_that_exclude:
        yield code + SITE, shown.site or ""
    if counted_twice:
        yield code + AGAIN, _size(measure, series[-1], tree).text


class _Size(NamedTuple):
    text: str
    unit: str


def _size(measure: Measure, reading: Measurement, tree: Any) -> _Size:
    """A value as it was sent, where the form has its unit; else in the unit of its kind."""
    sent = (found_at(tree, reading.origin.expression) or {}).get("valueQuantity", {})
    if sent.get("code") in units_of(measure) and "value" in sent:
        return _Size(number(Decimal(str(sent["value"]))), sent["code"])
    return _Size(number(reading.quantity.value), reading.quantity.unit)


def _of_patient(patient: Any) -> Iterator[tuple[str, str]]:
    born = str(patient.get("birthDate", ""))
    if len(born) == len("2026-05-01"):  # a month or a year of birth is no day
        yield BORN, born
    for extension in patient.get("_birthDate", {}).get("extension", ()):
        if when := str(extension.get("valueDateTime", "")):
            yield BORN_AT, when[11:16]
    if patient.get("gender") in SEXES:
        yield SEX, patient["gender"]
