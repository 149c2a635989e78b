"""Which weight the doses are made from, and when it may not be believed.

Clinical content, section 5: a weight that cannot be right is never corrected; the likely slip
is named, no dose is made from it, and a second weight that agrees lifts the doubt.
"""

from collections.abc import Iterator
from decimal import Decimal

from cds_service.case import Measurement, Origin
from cds_service.content.model import Message
from cds_service.engine import words
from cds_service.engine.assessment_model import Caution, Weight
from cds_service.engine.facts import Facts, hours_old
from cds_service.engine.weight_change import CODE as CHANGE
from cds_service.engine.weight_change import weight_change
from cds_service.quantity import Quantity, plain

# How a weight is commonly mistaken: name of the slip, factor that would mend it.
_SLIPS = (
    ("ten-fold-high", Decimal("0.1")),
    ("grams", Decimal("0.001")),
    ("pounds", Decimal("0.45359237")),
    ("ten-fold-low", Decimal(10)),
)


def dosing_weight(facts: Facts) -> Weight:
    """Choose the weight to dose by and judge it; once for each infant."""
    if facts.weight is None:
        facts.weight = _chosen(facts)
    return facts.weight


def _chosen(facts: Facts) -> Weight:
    readings = facts.values.get("weight", ())
    if not readings:
        return Weight(None, Message("no-dose.no-weight"))
    origins = tuple(reading.origin for reading in readings)
    reading = readings[0]  # of two that agree, the lower
    others = (*readings[1:], *_of_this_day(facts, reading))
    lowest = min([each.quantity.value for each in (reading, *others)])
    doubt = _differing(facts, reading, others) or _unconfirmed(facts, reading)
    if doubt is not None:
        return Weight(None, doubt, origins, weigh_again=True, lowest=lowest)
    change = weight_change(facts, reading, confirmed=_again_at_this_visit(facts, reading))
    cautions = (*_cautions(facts, reading, origins), *(() if change is None else (change,)))
    again = any(caution.code in ("weight-stale", CHANGE) for caution in cautions)
    kg = plain(reading.quantity.value)
    return Weight(kg, None, origins, cautions, weigh_again=again, lowest=lowest)


def _differing(
    facts: Facts, reading: Measurement, others: tuple[Measurement, ...]
) -> Message | None:
    """Said when the weights of this visit do not agree with each other."""
    if all(_agree(facts, reading, other) for other in others):
        return None
    return Message("no-dose.weights-differ")


def _unconfirmed(facts: Facts, reading: Measurement) -> Message | None:
    """The doubt about a weight that no second weighing lifts."""
    doubt = _doubt(facts, reading)
    return None if doubt is None or _confirmed(facts, reading) else doubt


def _of_this_day(facts: Facts, reading: Measurement) -> list[Measurement]:
    """The other weighings of the same visit."""
    others = [other for other in facts.series.get("weight", ()) if other is not reading]
    if not others:
        return []
    length, age = facts.protocol.visit_length.quantity.to("h").value, hours_old(facts, reading)
    return [other for other in others if hours_old(facts, other) - age <= length]


def _agree(facts: Facts, one: Measurement, other: Measurement) -> bool:
    first, second = one.quantity.value, other.quantity.value
    allowed = facts.protocol.weight_limits.agree_within.value / 100
    return abs(first - second) <= allowed * max(first, second)


def _confirmed(facts: Facts, reading: Measurement) -> bool:
    """Whether another weighing agrees with this one."""
    others = (other for other in facts.series.get("weight", ()) if other is not reading)
    return any(other.at != reading.at and _agree(facts, reading, other) for other in others)


def _again_at_this_visit(facts: Facts, reading: Measurement) -> bool:
    """Whether another weighing of this visit agrees; all of them do where a dose is made."""
    return any(other.at != reading.at for other in _of_this_day(facts, reading))


def _doubt(facts: Facts, reading: Measurement) -> Message | None:
    limits, kg = facts.protocol.weight_limits, reading.quantity.value
    if kg >= limits.weigh_again_from.value or kg > _flags(facts)[1]:
        return Message("no-dose.too-heavy", (_told(kg), ("slip", _slip(facts, kg))))
    change = _change_since_birth(facts, reading)
    if change is None:
        return None
    if change < -limits.newborn_loss.value:
        return Message("no-dose.lost-too-much", (_told(kg), ("percent", _whole(-change))))
    if change > limits.newborn_gain.value:
        return Message("no-dose.gained-too-much", (_told(kg), ("percent", _whole(change))))
    return None


def _told(kg: Decimal) -> tuple[str, str]:
    return "weight", words.reading(Quantity(kg, "kg"))


def _whole(percent: Decimal) -> str:
    return f"{percent.quantize(Decimal(1)):f}"


def _change_since_birth(facts: Facts, reading: Measurement) -> Decimal | None:
    """Percent gained since birth, in the first days of life only."""
    born, age = facts.values.get("birth-weight"), facts.age
    if born is None or age is None or reading.kind == "birth-weight":
        return None
    if age.low >= facts.protocol.weight_limits.newborn_days:
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
    if kg < _flags(facts)[0]:
        # Below the least weight that is dosed for, nothing is made from it.
        dosed = kg >= facts.protocol.low_weight.dose_from.value
        key = "caution.weight-very-low" if dosed else "caution.weight-very-low-no-dose"
        message = Message(key, (_told(kg), ("slip", _slip(facts, kg))))
        yield Caution("weight-very-low", "high", message, origins)
    young = facts.age is None or facts.age.low < limits.young_days
    if hours_old(facts, reading) > (limits.young_hours if young else limits.older_hours):
        limit = limits.stale_young if young else limits.stale_older
        message = Message("caution.weight-stale", (_told(kg), ("limit", words.said(limit))))
        yield Caution("weight-stale", "moderate", message, origins)
    if reading.kind == "birth-weight":
        message = Message("caution.birth-weight-used", (_told(kg),))
        yield Caution("birth-weight-used", "moderate", message, origins)
