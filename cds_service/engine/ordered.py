"""Whether an order agrees with what the protocol would order for the first day of its course.

The rule, age and weight of treatment day 1 hold for the whole course (clinical content, section
3), so an order is held against them. One that lies further away than a dose may (deviation-high,
deviation-low) is not simply gone on with.
"""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from cds_service.case import MedicineInUse
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.dose import make_dose
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose, NoDose
from cds_service.engine.phrase import amount, days, times
from cds_service.quantity import Quantity, convertible, plain


def dose_of_day_one(
    medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Dose | NoDose:
    """The dose by the rule, the age and (where one was recorded) the weight of that day."""
    return make_dose(medicine, _then(began, facts), _weight_on(began, facts, kg) or kg)


def _then(began: date, facts: Facts) -> Facts:
    return facts.days_ago((facts.case.as_of.date() - began).days)


def _weight_on(day: date, facts: Facts, kg: Decimal | None) -> Decimal | None:
    """The weight of the first day of a course, when one believable weight of it was recorded.

    It holds to the end of the course; one that lies too far from the weight now is not believed.
    """
    weights = facts.series.get("weight", ())
    of_day = {each.quantity.value for each in weights if each.at and each.at.date() == day}
    if len(of_day) != 1 or kg is None:
        return None
    first = plain(of_day.pop())
    allowed = facts.protocol.weight_limits.newborn_gain.value / 100
    return first if abs(kg - first) <= allowed * first else None


def differences(
    order: MedicineInUse,
    medicine: Medicine,
    began: date,
    longest: int | None,
    facts: Facts,
    kg: Decimal | None,
) -> tuple[tuple[Message, Message], ...]:
    """What is ordered and what would be due, where the two do not agree.

    `longest`: days of the course that is due, None when its length is not judged.
    """
    found = [*_amounts(order, medicine, began, facts, kg)]
    usual = int(medicine.times_a_day.value)
    if order.a_day is not None and order.a_day > usual:
        found.append((times(order.a_day), times(usual)))
    if order.days is not None and longest is not None and order.days > longest:
        found.append((days(order.days), days(longest)))
    return tuple(found)


def _amounts(
    order: MedicineInUse, medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Iterator[tuple[Message, Message]]:
    """The amounts, when no product of the medicine makes the ordered one a dose like ours."""
    ordered = order.amount
    if ordered is None:
        return
    due = list(_due(ordered, medicine, began, facts, kg))
    low = 1 - facts.protocol.deviation_low.value / 100
    high = 1 + facts.protocol.deviation_high.value / 100
    shares = [ordered.to(each.unit).value / each.value for each in due]
    if shares and not any(low <= share <= high for share in shares):
        yield amount(ordered), amount(due[0])
    most = medicine.ceiling
    if not shares and most is not None and _is_above(ordered, most.quantity, medicine):
        yield amount(ordered), Message("amount.at-most", (("amount", amount(most.quantity)),))


def _is_above(ordered: Quantity, most: Quantity, medicine: Medicine) -> bool:
    """Whether the amount is more than the most that is ever given, of whatever product."""
    held = [
        form.contained(ordered)
        for form in medicine.formulations
        if convertible(ordered.unit, form.per.unit)
    ]
    held += [ordered.to(most.unit)] if convertible(ordered.unit, most.unit) else []
    return bool(held) and all(each.to(most.unit).value > most.value for each in held)


def due_of_each(
    medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Iterator[Dose | NoDose]:
    """What would be due of each product of the medicine, or why nothing is."""
    then, weight = _then(began, facts), _weight_on(began, facts, kg) or kg
    for form in medicine.formulations:
        yield make_dose(medicine, then, weight, only=form.code)


def _due(
    ordered: Quantity, medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Iterator[Quantity]:
    """What would be due of each product in the unit of the order; in mg what is in it."""
    for dose in due_of_each(medicine, began, facts, kg):
        if isinstance(dose, Dose):
            measures = (dose.amount, dose.contained)
            yield from (each for each in measures if convertible(ordered.unit, each.unit))
