"""Invented infants for the comparison, each said twice: as the engine's Case and as CQL parameters.

Limits are those of the clinical text (section 2), written here from it and not from the content.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from itertools import combinations, product
from typing import Any

from cds_service.case import Age, Answer, Case, Measurement, Origin
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.cases import AS_OF, finding

SIGNS = (
    "convulsions", "convulsing-now", "unable-to-feed", "feeding-poorly", "feeding-well",
    "no-movement", "moves-only-when-stimulated", "moves-on-own", "severe-chest-indrawing",
    "unconscious", "unable-to-cry", "bulging-fontanelle", "central-cyanosis", "apnoea",
    "persistent-vomiting", "major-bleeding", "malformation-preventing-feeding",
    "surgical-condition", "feels-hot", "feels-cold", "umbilicus-red", "umbilicus-pus",
    "skin-pustules", "umbilical-redness-spreading", "severe-pustules", "jaundice",
    "jaundice-first-day", "palms-or-soles-yellow", "diarrhoea", "restless-irritable",
    "sunken-eyes", "skin-pinch-slow", "skin-pinch-very-slow", "blood-in-stool",
    "diarrhoea-14-days",
)  # fmt: skip
"""The signs of section 1 that the tables covered here ask."""

_UNITS = {"temperature": "Cel", "oxygen-saturation": "%", "weight": "kg", "gestational-age": "wk"}
_NAMES = {
    "temperature": "Temperature", "oxygen-saturation": "SpO2", "weight": "Weight",
    "gestational-age": "Gestation",
}  # fmt: skip
_AT = {
    "temperature": ("35.4", "35.49", "35.499", "35.5", "35.501", "37.9", "37.99", "37.999", "38",
                    "38.001", "38.1"),
    "oxygen-saturation": ("89", "89.9", "89.99", "90", "90.1", "91"),
    "weight": ("2.4", "2.499", "2.5", "2.501", "2.6"),
    "gestational-age": ("34", "34.9", "35", "35.1", "36"),
}  # fmt: skip
_COUNTS = (29, 30, 31, 45, 59, 60, 61)
_DAYS = (0, 1, 2, 6, 7, 8, 13, 14, 15, 28, 58, 59)
_HOURS = (0, 1, 23, 24, 25, 47, 48, 49)


@dataclass(frozen=True, slots=True)
class Infant:
    """What is known of one infant: a sign or value that is left out is not assessed."""

    days: int = 10
    hours: int | None = None
    """Completed hours since the birth; None: only the days are known."""
    signs: dict[str, bool] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)
    """By the name of the measure, in the unit of the text."""
    counts: tuple[int, ...] = ()
    """Breaths in a minute, in their order, ten minutes apart."""

    def case(self) -> Case:
        """The infant as the engine's Case."""
        readings = [_read(kind, value, _UNITS[kind], 0) for kind, value in self.values.items()]
        last = len(self.counts) - 1
        readings += [
            _read("respiratory-rate", str(count), "/min", 10 * (last - place))
            for place, count in enumerate(self.counts)
        ]
        hours = None if self.hours is None else (self.hours, self.hours)
        said = {True: Answer.YES, False: Answer.NO}
        return Case(
            subject="Patient/compared",
            as_of=AS_OF,
            visit_end=AS_OF + timedelta(hours=6),
            age=Age(self.days, self.days, hours=hours),
            findings=tuple(finding(code, said[value]) for code, value in self.signs.items()),
            measurements=tuple(readings),
        )

    def parameters(self) -> dict[str, Any]:
        """The infant as the parameters of the CQL; a weight in grams, so that it converts."""
        told: dict[str, Any] = {"AgeDays": self.days, "AgeHours": self.hours}
        told |= {code: self.signs.get(code) for code in SIGNS}
        for kind, name in _NAMES.items():
            value = self.values.get(kind)
            told[name] = value and {"value": float(value), "unit": _UNITS[kind]}
        if told["Weight"]:
            told["Weight"] = {"value": int(Decimal(self.values["weight"]) * 1000), "unit": "g"}
        for place in range(3):
            known = place < len(self.counts)
            told[f"Count{place + 1}"] = (
                {"value": self.counts[place], "unit": "/min"} if known else None
            )
        return told


def _read(kind: str, value: str, unit: str, minutes: int) -> Measurement:
    origin = Origin(f"Observation/{kind}-{minutes}")
    at = AS_OF - timedelta(minutes=minutes)
    return Measurement(kind, Quantity.of(value, unit), at, origin)


def _bases() -> tuple[Infant, ...]:
    """A well infant, one with every gate open, one of whom nothing is known."""
    well = {code: code in ("feeding-well", "moves-on-own") for code in SIGNS}
    values = {"temperature": "37", "oxygen-saturation": "97", "gestational-age": "39"}
    known = Infant(10, None, well, values | {"weight": "3.2"}, (45,))
    open_gates = well | {"jaundice": True, "diarrhoea": True, "feeding-well": False}
    return known, replace(known, signs=open_gates | {"moves-on-own": False}), Infant()


def edges() -> Iterator[Infant]:
    """Values at and beside every limit, and every answer of every sign and of every two."""
    for base in _bases():
        yield base
        yield from _value_edges(base)
        yield from _age_edges(base)
        for one, other in combinations(SIGNS, 2):
            for answers in product((True, False, None), repeat=2):
                yield replace(base, signs=_with(base.signs, (one, other), answers))


def _value_edges(base: Infant) -> Iterator[Infant]:
    for kind, values in _AT.items():
        for value in values:
            yield replace(base, values=base.values | {kind: value})
        yield replace(base, values={k: v for k, v in base.values.items() if k != kind})
    for hot, cold in product((True, False, None), repeat=2):
        signs = _with(base.signs, ("feels-hot", "feels-cold"), (hot, cold))
        yield replace(base, signs=signs, values={})
    for many in range(4):
        for days, counts in product((6, 7), product(_COUNTS, repeat=many)):
            yield replace(base, days=days, counts=counts)


def _age_edges(base: Infant) -> Iterator[Infant]:
    born = [(day, None) for day in _DAYS] + [(hour // 24, hour) for hour in _HOURS]
    for (days, hours), yellow in product(born, (True, False, None)):
        signs = _with(base.signs, ("jaundice",), (yellow,))
        for weeks, kg in product((*_AT["gestational-age"], None), (*_AT["weight"], None)):
            values = {k: v for k, v in (("gestational-age", weeks), ("weight", kg)) if v}
            yield replace(base, days=days, hours=hours, signs=signs, values=values)


def _with(
    signs: dict[str, bool], codes: tuple[str, ...], answers: tuple[bool | None, ...]
) -> dict[str, bool]:
    told = {code: value for code, value in signs.items() if code not in codes}
    return told | {c: a for c, a in zip(codes, answers, strict=True) if a is not None}


def drawn(draw: random.Random) -> Infant:
    """One infant at random: mostly well or mostly ill, mostly asked or mostly not."""
    yes, asked = draw.choice((0.0, 0.03, 0.1, 0.4)), draw.choice((0.5, 0.9, 0.97, 1.0))
    signs = {code: draw.random() < yes for code in SIGNS if draw.random() < asked}
    values = {kind: draw.choice(at) for kind, at in _AT.items() if draw.random() < asked}
    days, hours = draw.choice(_DAYS), None
    if draw.random() < 0.2:
        hours = draw.choice(_HOURS)
        days = hours // 24
    if draw.random() < 0.5:
        values["temperature"] = str(Decimal(draw.randrange(3550, 3800)) / 100)
    counts = tuple(draw.choice(_COUNTS) for _ in range(draw.choice((0, 1, 1, 2, 2, 3))))
    return Infant(days, hours, signs, values, counts)
