"""What an order or a statement says of its course: since when, how long, how often, how much."""

from datetime import datetime
from decimal import Decimal

from msgspec import UNSET, UnsetType

from cds_service.case import MedicineInUse
from cds_service.fhir.codes import DOSE_RATE_TYPE, TIMES_A_DAY, UCUM
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.times import When
from cds_service.fhir.wire import Quantity
from cds_service.fhir.wire_resources import (
    Dosage,
    DoseAndRate,
    MedicationRequest,
    MedicationStatement,
    Repeat,
    Timing,
)
from cds_service.quantity import Quantity as Amount
from cds_service.quantity import convertible, plain

_BY_CODE = {code: times for times, code in TIMES_A_DAY.items()}
_MOST_DAYS, _MOST_A_DAY = 366, 24
"""Beyond these no order is a course that can be counted: what it says is a slip."""
_IN_DAYS = {"d": 1, "wk": 7}
_A_DAY = {"h": Decimal(24), "d": Decimal(1)}


def course(
    medicine: str, formulation: str, sent: Sent[MedicationRequest], context: Context
) -> MedicineInUse:
    """The medicine with what its order says; what it does not say, or not clearly, is None.

    `formulation` is the product that it names, or "".
    """
    order = sent.resource
    dosage, timing, repeat = _only(order.dosage_instruction)
    amount, contained = _amounts(dosage.dose_and_rate)
    return MedicineInUse(
        medicine,
        sent.origin,
        since=_since(order, repeat, context),
        days=days(repeat),
        a_day=a_day(timing, repeat),
        amount=amount,
        ordered=True,
        contained=contained,
        formulation=formulation,
    )


def reported(
    medicine: str, formulation: str, sent: Sent[MedicationStatement], context: Context
) -> MedicineInUse:
    """The medicine with what is said of its use; as `course`, but no order is behind it."""
    statement = sent.resource
    dosage, timing, repeat = _only(statement.dosage)
    amount, contained = _amounts(dosage.dose_and_rate)
    period = statement.effective_period
    return MedicineInUse(
        medicine,
        sent.origin,
        since=None if period is UNSET else _day(period.start, context),
        a_day=a_day(timing, repeat),
        amount=amount,
        contained=contained,
        formulation=formulation,
    )


def _only(dosages: list[Dosage] | UnsetType) -> tuple[Dosage, Timing, Repeat]:
    """The one instruction, with its times; empty where there is none.

    Several instructions say several things: which of them holds now is not told apart.
    """
    dosage = dosages[0] if dosages is not UNSET and len(dosages) == 1 else Dosage()
    timing = Timing() if dosage.timing is UNSET else dosage.timing
    return dosage, timing, Repeat() if timing.repeat is UNSET else timing.repeat


def _since(order: MedicationRequest, repeat: Repeat, context: Context) -> datetime | None:
    when: When | UnsetType = order.authored_on
    if when is UNSET and repeat.bounds_period is not UNSET:
        when = repeat.bounds_period.start
    return _day(when, context)


def _day(when: When | UnsetType, context: Context) -> datetime | None:
    """The day that is said; None for none, and for a month or a year."""
    return None if when is UNSET or when.first != when.last else context.visit.time(when)


def days(repeat: Repeat) -> int | None:
    """How many days an order is for; None when it does not say, or not in whole days."""
    length, period = repeat.bounds_duration, repeat.bounds_period
    if length is not UNSET:
        return _whole_days(length)
    if period is UNSET or period.start is UNSET or period.end is UNSET:
        return None
    return _within((period.end.last - period.start.first).days + 1, _MOST_DAYS)


def _whole_days(length: Quantity) -> int | None:
    if length.number is None or length.system != UCUM or length.comparator is not UNSET:
        return None
    return _within(length.number * _IN_DAYS.get(str(length.code), 0), _MOST_DAYS)


def a_day(timing: Timing, repeat: Repeat) -> int | None:
    """How many times a day; None when an order does not say, or not a whole number of times."""
    if repeat.frequency is UNSET or repeat.every is None:
        codings = [] if timing.code is UNSET else timing.code.codings()
        return next((_BY_CODE[str(c.code)] for c in codings if str(c.code) in _BY_CODE), None)
    unit = _A_DAY.get(str(repeat.period_unit))
    if unit is None or repeat.every <= 0:
        return None
    times = repeat.frequency * unit / repeat.every
    return _within(times, _MOST_A_DAY)


def _within(count: Decimal | int, most: int) -> int | None:
    """A whole number from one to `most`; None for any other."""
    return int(count) if 0 < count <= most and count == int(count) else None


def _amounts(doses: list[DoseAndRate] | UnsetType) -> tuple[Amount | None, Amount | None]:
    """The amount of type `ordered`, or the only one, and what is said to be in it.

    Of two the one that is measured out comes first, whichever of them is the ordered one.
    """
    each = [] if doses is UNSET else doses
    ordered = [one for one in each if _is_ordered(one)] or each
    if len(ordered) != 1:
        return None, None
    first = amount(ordered[0].dose_quantity)
    others = [amount(one.dose_quantity) for one in each if one is not ordered[0]]
    second = others[0] if len(others) == 1 else None
    if first is None or second is None or is_content(first) == is_content(second):
        return first, None
    return (second, first) if is_content(first) else (first, second)


def is_content(of: Amount) -> bool:
    """Whether an amount is one of substance, not what is measured out."""
    return convertible(of.unit, "mg") or convertible(of.unit, "[iU]")


def amount(found: Quantity | UnsetType) -> Amount | None:
    """An amount in a unit that can be measured out; None for any other, or none."""
    if found is UNSET:
        return None
    unit = found.code
    if found.system != UCUM or not isinstance(unit, str) or not convertible(unit, unit):
        return None
    measured = found.number is not None and found.number > 0 and found.comparator is UNSET
    return Amount(plain(found.number), unit) if measured and found.number is not None else None


def _is_ordered(dose: DoseAndRate) -> bool:
    codings = [] if dose.type is UNSET else dose.type.codings()
    return any(c.system == DOSE_RATE_TYPE and c.code == "ordered" for c in codings)
