"""A plain world as a Case of the program, and the program's answer in the encoding's words."""

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal

from cds_service.case import (
    Age,
    Answer,
    Case,
    EarlierClass,
    Finding,
    Measurement,
    Origin,
)
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.quantity import Quantity
from tests.engine.cases import AS_OF
from tests.proofs.kleene import Truth
from tests.proofs.world import SCALE, Reading, World

NOW, FIRST, LONG_AGO, BEFORE = (timedelta(minutes=m) for m in (0, 20, 200, 2 * 1440))
"""How long ago the last value was taken, the count before it, and those of an earlier visit."""


def as_case(world: World, protocol: Protocol) -> Case:
    """The infant, as whatever reads the outside world would hand it over."""
    sex = ("male" if world.male else "female") if world.sex else None
    hours = (world.hours.low, world.hours.high) if world.hours.there else None
    return Case(
        subject="Patient/proved",
        as_of=AS_OF,
        visit_end=AS_OF + timedelta(hours=6),
        age=Age(world.age.low, world.age.high, hours=hours) if world.age.there else None,
        sex=sex,
        findings=(*_findings(world.signs, NOW), *_findings(world.before, BEFORE)),
        measurements=tuple(_measurements(world, protocol)),
        earlier=tuple(_earlier(world)),
    )


def _findings(answers: dict[str, Truth], ago: timedelta) -> Iterator[Finding]:
    for code, truth in answers.items():
        if truth.yes or truth.no:
            answer = Answer.YES if truth.yes else Answer.NO
            yield Finding(code, answer, AS_OF - ago, _origin(code, ago))


def _measurements(world: World, protocol: Protocol) -> Iterator[Measurement]:
    for kind, reading in world.before_values.items():
        yield from _measurement(kind, reading, BEFORE, protocol)
    for kind, reading in world.first.items():
        ago = LONG_AGO if world.far_apart[kind] else FIRST
        yield from _measurement(kind, reading, ago, protocol)
    for kind, reading in world.last.items():
        yield from _measurement(
            kind, reading, BEFORE * 2 if kind == "birth-weight" else NOW, protocol
        )


def _measurement(
    kind: str, reading: Reading, ago: timedelta, protocol: Protocol
) -> Iterator[Measurement]:
    if reading.there:
        quantity = Quantity(Decimal(reading.value) / SCALE, protocol.measure_by_code[kind].unit)
        site = "rectal" if reading.inner else None
        yield Measurement(kind, quantity, AS_OF - ago, _origin(kind, ago), site=site)


def _earlier(world: World) -> Iterator[EarlierClass]:
    for code, each in world.earlier.items():
        if each.there:
            at = AS_OF - timedelta(days=each.day - 1) if each.dated else None
            yield EarlierClass(code, at, Origin(f"Condition/{code}"))


def _origin(code: str, ago: timedelta) -> Origin:
    return Origin(f"Observation/{code}-{ago // timedelta(minutes=1)}")


def answered(world: World, protocol: Protocol) -> tuple[dict[str, str], dict[str, str]]:
    """What the program says: the class of each table, and each row that it came to."""
    assessment = decide(as_case(world, protocol), protocol).assessment
    classes = {held.table: held.code for held in assessment.classes}
    return classes, {row.row.code: row.answer.value for row in assessment.rows}
