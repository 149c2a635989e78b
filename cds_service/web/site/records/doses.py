"""Doses per kilogram as recorded answers tell them, medicine by medicine, and how they lie.

Read from the words of each MedicationRequest, since FHIR has no element for a dose per kilogram or
for its target; the words are the same in every language (only the caregiver's are translated).
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import NamedTuple

from msgspec import Struct
from msgspec.json import Decoder

from cds_service.fhir import codes

MOST_BINS = 40
"""Columns of one chart."""
_STEPS = tuple(map(Decimal, ("0.1", "0.2", "0.5", "1", "2", "5", "10", "20", "50")))
_DOSE = re.compile(r"contains? .*?: ([0-9.]+) (mg|IU)/kg.*, for a weight of ([0-9.]+) kg\.")
_TARGET = re.compile(r"^Target ([0-9.]+) (mg|IU)/kg: ", re.MULTILINE)


class Point(NamedTuple):
    """One dose that was proposed."""

    medicine: str
    unit: str
    """"mg" or "IU"."""
    per_kg: Decimal
    """Of the substance in each dose, per kilogram of the weight that was dosed by."""
    target: Decimal | None
    """What the content aims at for this infant; None: a fixed amount, which has no target."""


@dataclass(frozen=True, slots=True)
class Bin:
    """One column: doses from `low` to below `high`."""

    low: Decimal
    high: Decimal
    count: int


@dataclass(frozen=True, slots=True)
class Spread:
    """The doses of one medicine."""

    medicine: str
    unit: str
    count: int
    low: Decimal
    middle: Decimal
    """The median."""
    high: Decimal
    targets: tuple[tuple[Decimal, int], ...]
    """Each target with the number of doses that had it."""
    bins: tuple[Bin, ...]

    @property
    def tallest(self) -> int:
        """The count of the tallest column."""
        return max(each.count for each in self.bins)

    def place(self, per_kg: Decimal) -> float:
        """Where a dose stands, in percent from the left."""
        begin, end = self.bins[0].low, self.bins[-1].high
        return float(100 * (per_kg - begin) / (end - begin))


class _Coding(Struct, gc=False, frozen=True):
    system: str = ""
    code: str = ""
    display: str = ""


class _Concept(Struct, gc=False, frozen=True):
    coding: tuple[_Coding, ...] = ()


class _Medication(Struct, gc=False, frozen=True):
    code: _Concept = _Concept()


class _Note(Struct, gc=False, frozen=True):
    text: str = ""


class _Resource(Struct, rename="camel", gc=False, frozen=True, kw_only=True):
    resource_type: str
    contained: tuple[_Medication, ...] = ()
    note: tuple[_Note, ...] = ()


class _Entry(Struct, gc=False, frozen=True):
    resource: _Resource


class _Answer(Struct, gc=False, frozen=True):
    entry: tuple[_Entry, ...] = ()


_DECODER = Decoder(_Answer)
"""Reads no more of an answer than is needed: a page asks for hundreds."""


def points(response: bytes) -> tuple[Point, ...]:
    """The doses of one recorded answer, each once although it may stand in two branches."""
    return tuple(dict.fromkeys(_points(_DECODER.decode(response).entry)))


def _points(entries: Iterable[_Entry]) -> Iterator[Point]:
    for each in entries:
        request = each.resource
        if request.resource_type != "MedicationRequest":
            continue
        text = "\n".join(note.text for note in request.note)
        name = _substance(request)
        if name and (dose := _DOSE.search(text)):
            target = _TARGET.search(text)
            aimed = Decimal(target[1]) if target else None
            yield Point(name, dose[2], Decimal(dose[1]), aimed)


def _substance(request: _Resource) -> str:
    for contained in request.contained:
        for coding in contained.code.coding:
            if coding.system == codes.ATC:
                return coding.display or coding.code
    return ""


def spreads(found: Iterable[Point]) -> list[Spread]:
    """How the doses of each medicine lie, by its name."""
    ordered = sorted(found, key=lambda point: (point.medicine, point.unit))
    return [
        _spread(medicine, unit, list(several))
        for (medicine, unit), several in groupby(ordered, key=lambda point: point[:2])
    ]


def _spread(medicine: str, unit: str, several: Sequence[Point]) -> Spread:
    doses = sorted(point.per_kg for point in several)
    targets = sorted({point.target for point in several if point.target is not None})
    ends = [doses[0], doses[-1], *targets]
    middle = (doses[(len(doses) - 1) // 2] + doses[len(doses) // 2]) / 2
    return Spread(
        medicine,
        unit,
        len(doses),
        doses[0],
        middle,
        doses[-1],
        tuple((aim, sum(point.target == aim for point in several)) for aim in targets),
        _bins(doses, min(ends), max(ends)),
    )


def _bins(doses: Sequence[Decimal], low: Decimal, high: Decimal) -> tuple[Bin, ...]:
    """Columns over all doses and targets, with a margin, in a round step."""
    wide = (high - low) / (MOST_BINS - 3)
    fitting = [step for step in _STEPS if step >= wide]
    step = fitting[0] if fitting else Decimal(10) ** (wide.adjusted() + 1)
    at, bins = (low // step) * step - step, []
    while at <= high + step:
        bins.append(Bin(at, at + step, sum(at <= dose < at + step for dose in doses)))
        at += step
    return tuple(bins)
