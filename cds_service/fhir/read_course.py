"""What an order says of its course: since when, for how many days, how often, how much."""

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


def course(medicine: str, sent: Sent[MedicationRequest], context: Context) -> MedicineInUse:
    """The medicine with what its order says; what it does not say, or not clearly, is None."""
    order = sent.resource
    dosages = [] if order.dosage_instruction is UNSET else order.dosage_instruction
    # Several instructions say several things: which of them holds now is not told apart.
    dosage = dosages[0] if len(dosages) == 1 else Dosage()
    timing = Timing() if dosage.timing is UNSET else dosage.timing
    repeat = Repeat() if timing.repeat is UNSET else timing.repeat
    return MedicineInUse(
        medicine,
        sent.origin,
        since=_since(order, repeat, context),
        days=days(repeat),
        a_day=a_day(timing, repeat),
        amount=_amount(dosage.dose_and_rate),
        ordered=True,
    )


def _since(order: MedicationRequest, repeat: Repeat, context: Context) -> datetime | None:
    when: When | UnsetType = order.authored_on
    if when is UNSET and repeat.bounds_period is not UNSET:
        when = repeat.bounds_period.start
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


def _amount(doses: list[DoseAndRate] | UnsetType) -> Amount | None:
    """The amount of type `ordered`, or the only one, in a unit that can be measured out."""
    each = [] if doses is UNSET else doses
    ordered = [one for one in each if _is_ordered(one)] or each
    if len(ordered) != 1 or ordered[0].dose_quantity is UNSET:
        return None
    found = ordered[0].dose_quantity
    unit = found.code
    if found.system != UCUM or not isinstance(unit, str) or not convertible(unit, unit):
        return None
    measured = found.number is not None and found.number > 0 and found.comparator is UNSET
    return Amount(plain(found.number), unit) if measured and found.number is not None else None


def _is_ordered(dose: DoseAndRate) -> bool:
    codings = [] if dose.type is UNSET else dose.type.codings()
    return any(c.system == DOSE_RATE_TYPE and c.code == "ordered" for c in codings)
