"""Which weight the doses are made from, and when it may not be believed.

Clinical content, section 5: a weight that cannot be right is never corrected; the likely slip
is named, no dose is made from it, and a second weight that agrees lifts the doubt.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from cds_service.case import Measurement, Origin
from cds_service.content.model import Message, Number
from cds_service.engine import words
from cds_service.engine.facts import Facts, hours_old
from cds_service.engine.model import Caution
from cds_service.quantity import Quantity, plain

# How a weight is commonly mistaken: name of the slip, factor that would mend it.
_SLIPS = (
    ("ten-fold-high", Decimal("0.1")),
    ("grams", Decimal("0.001")),
    ("pounds", Decimal("0.45359237")),
    ("ten-fold-low", Decimal(10)),
)


@dataclass(frozen=True, slots=True)
class Weight:
    """The weight to dose by (kg), or why there is none (`hold`), and what to say about it."""

    kg: Decimal | None
    hold: Message | None
    origins: tuple[Origin, ...] = ()
    cautions: tuple[Caution, ...] = ()
    weigh_again: bool = False
    lowest: Decimal | None = None
    """The lowest weight of this visit, believed or not: a very small baby is referred by it."""

    @property
    def quantity(self) -> Quantity:
        """The weight in kg; only when there is one."""
        if self.kg is None:
            raise ValueError("there is no weight to dose by")
        return Quantity(self.kg, "kg")


def dosing_weight(facts: Facts) -> Weight:
    """Choose the weight to dose by and judge it."""
    readings = facts.values.get("weight", ())
    if not readings:
        return Weight(None, Message("no-dose.no-weight"))
    origins = tuple(reading.origin for reading in readings)
    reading = readings[0]  # of two that agree, the lower
    lowest = min(each.quantity.value for each in (*readings, *_of_this_day(facts, reading)))
    doubt = _differing(facts, readings) or _unconfirmed(facts, reading)
    if doubt is not None:
        return Weight(None, doubt, origins, weigh_again=True, lowest=lowest)
    cautions = tuple(_cautions(facts, reading, origins))
    again = any(caution.code == "weight-stale" for caution in cautions)
    kg = plain(reading.quantity.value)
    return Weight(kg, None, origins, cautions, weigh_again=again, lowest=lowest)


def _differing(facts: Facts, readings: tuple[Measurement, ...]) -> Message | None:
    """Said when the weights of this visit do not agree with each other."""
    others = (*readings[1:], *_of_this_day(facts, readings[0]))
    if all(_agree(facts, readings[0], other) for other in others):
        return None
    return Message("no-dose.weights-differ")


def _unconfirmed(facts: Facts, reading: Measurement) -> Message | None:
    """The doubt about a weight that no second weighing lifts."""
    doubt = _doubt(facts, reading)
    return None if doubt is None or _confirmed(facts, reading) else doubt


def _of_this_day(facts: Facts, reading: Measurement) -> list[Measurement]:
    """The other weighings of the same visit."""
    length, age = facts.protocol.visit_length.quantity.to("h").value, hours_old(facts, reading)
    others = (other for other in facts.series.get("weight", ()) if other is not reading)
    return [other for other in others if hours_old(facts, other) - age <= length]


def _hours(number: Number) -> Decimal:
    return number.quantity.to("h").value


def _agree(facts: Facts, one: Measurement, other: Measurement) -> bool:
    first, second = one.quantity.value, other.quantity.value
    allowed = facts.protocol.weight_limits.agree_within.value / 100
    return abs(first - second) <= allowed * max(first, second)


def _confirmed(facts: Facts, reading: Measurement) -> bool:
    """Whether another weighing agrees with this one."""
    others = (other for other in facts.series.get("weight", ()) if other is not reading)
    return any(other.at != reading.at and _agree(facts, reading, other) for other in others)


def _doubt(facts: Facts, reading: Measurement) -> Message | None:
    limits, kg = facts.protocol.weight_limits, reading.quantity.value
    weight = ("weight", words.reading(Quantity(kg, "kg")))
    if kg >= limits.weigh_again_from.value or kg > _flags(facts)[1]:
        return Message("no-dose.too-heavy", (weight, ("slip", _slip(facts, kg))))
    change = _change_since_birth(facts, reading)
    if change is None:
        return None
    if change < -limits.newborn_loss.value:
        return Message("no-dose.lost-too-much", (weight, ("percent", _whole(-change))))
    if change > limits.newborn_gain.value:
        return Message("no-dose.gained-too-much", (weight, ("percent", _whole(change))))
    return None


def _whole(percent: Decimal) -> str:
    return f"{percent.quantize(Decimal(1)):f}"


def _change_since_birth(facts: Facts, reading: Measurement) -> Decimal | None:
    """Percent gained since birth, in the first days of life only."""
    born, age = facts.values.get("birth-weight"), facts.age
    if born is None or age is None or reading.kind == "birth-weight":
        return None
    if age.low >= facts.protocol.weight_limits.newborn_until.quantity.to("d").value:
        return None
    return (reading.quantity.value / born[0].quantity.value - 1) * 100


def _flags(facts: Facts) -> tuple[Decimal, Decimal]:
    """Lowest and highest believable weight; sex unknown: as soon as either sex is flagged."""
    if facts.age is None:
        return Decimal(0), Decimal("Infinity")
    tables = facts.protocol.weight_flags
    chosen = [tables[facts.case.sex]] if facts.case.sex in tables else list(tables.values())
    low = max(table[min(facts.age.high, len(table) - 1)][0] for table in chosen)
    high = min(table[min(facts.age.low, len(table) - 1)][1] for table in chosen)
    return low, high


def _slip(facts: Facts, kg: Decimal) -> Message:
    if facts.age is None:
        return Message("slip.unknown")
    low, high = _flags(facts)
    for name, factor in _SLIPS:
        if low <= kg * factor <= high:
            return Message(f"slip.{name}")
    return Message("slip.unknown")


def _cautions(facts: Facts, reading: Measurement, origins: tuple[Origin, ...]) -> Iterator[Caution]:
    limits, kg = facts.protocol.weight_limits, reading.quantity.value
    weight = ("weight", words.reading(Quantity(kg, "kg")))
    if kg < _flags(facts)[0]:
        message = Message("caution.weight-very-low", (weight, ("slip", _slip(facts, kg))))
        yield Caution("weight-very-low", "high", message, origins)
    young = facts.age is None or facts.age.low < limits.stale_young_until.quantity.to("d").value
    limit = limits.stale_young if young else limits.stale_older
    if hours_old(facts, reading) > _hours(limit):
        message = Message("caution.weight-stale", (weight, ("limit", words.said(limit))))
        yield Caution("weight-stale", "moderate", message, origins)
    if reading.kind == "birth-weight":
        message = Message("caution.birth-weight-used", (weight,))
        yield Caution("birth-weight-used", "moderate", message, origins)
