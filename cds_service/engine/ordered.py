"""Whether an order agrees with what the protocol would order for the first day of its course.

The rule, age and weight of treatment day 1 hold for the whole course (clinical content, section
3), so an order is held against them; of a medicine whose rule is that of each day, against the
age of today. One that lies further away than a dose may (deviation-high,
deviation-low) is not simply gone on with.
"""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from cds_service.case import MedicineInUse
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.dose import make_dose
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose, NoDose
from cds_service.engine.phrase import amount, days, strength, times
from cds_service.quantity import Quantity, convertible, plain


def dose_of_day_one(
    medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Dose | NoDose:
    """The dose by the rule, the age and (where one was recorded) the weight of that day."""
    return make_dose(medicine, _then(medicine, began, facts), weight_of_day_one(began, facts, kg))


def weight_of_day_one(began: date, facts: Facts, kg: Decimal | None) -> Decimal | None:
    """The weight of the first day of a course, where one was recorded; else the weight now."""
    return _weight_on(began, facts, kg) or kg


def _then(medicine: Medicine, began: date, facts: Facts) -> Facts:
    return facts.on(max(began, facts.case.as_of.date()) if medicine.each_day else began)


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
    """The amounts, when no product that may be meant makes the ordered one a dose like ours."""
    ordered = order.amount
    if ordered is None:
        return
    made = [each for each in due_of_each(medicine, began, facts, kg) if isinstance(each, Dose)]
    may_be = [each for each in made if order.formulation in ("", each.formulation.code)]
    due = [each for each in may_be if any(shares(ordered, each))]
    if due and not any(fits(order, each, facts.protocol) for each in due):
        yield _ordered(order), told_due(due, facts)
    most = medicine.ceiling
    if not due and most is not None and _is_above(order, most.quantity, medicine):
        yield _ordered(order), Message("amount.at-most", (("amount", amount(most.quantity)),))


def fits(order: MedicineInUse, dose: Dose, protocol: Protocol) -> bool:
    """Whether the ordered dose is near enough to the one that is due of a product."""
    low, high = 1 - protocol.deviation_low.value / 100, 1 + protocol.deviation_high.value / 100
    parts = [each for each in (order.amount, order.contained) if each is not None]
    near = all(any(low <= share <= high for share in shares(each, dose)) for each in parts)
    if order.amount is None or order.contained is None:
        return near
    held = dose.formulation.contained(order.amount)
    return near and agrees(order.contained.to(held.unit).value / held.value, protocol)


def agrees(share: Decimal, protocol: Protocol) -> bool:
    """Whether two amounts, one of them a share of the other, are the same as far as measured."""
    low, high = protocol.order_low.value / 100, protocol.order_high.value / 100
    return 1 - low <= share <= 1 + high


def is_substance(of: Quantity) -> bool:
    """Whether an amount is one of substance (mg, IU), not what is measured out."""
    return convertible(of.unit, "mg") or convertible(of.unit, "[iU]")


def shares(ordered: Quantity, dose: Dose) -> Iterator[Decimal]:
    """The ordered amount as a share of the due one: of what is measured, or what is in it."""
    for due in (dose.amount, dose.contained):
        if convertible(ordered.unit, due.unit):
            yield ordered.to(due.unit).value / due.value


def _ordered(order: MedicineInUse) -> Message:
    if order.amount is None or order.contained is None:
        return amount(order.amount) if order.amount is not None else Message("amount.as-ordered")
    values = (("amount", amount(order.amount)), ("contained", amount(order.contained)))
    return Message("course.with-content", values)


def told_due(due: list[Dose], facts: Facts) -> Message:
    """The dose that is due, with its strength: of what is in stock, when that is known."""
    stock = facts.case.stock
    kept = [each for each in due if stock is None or each.formulation.code in stock] or due
    values = (
        ("amount", amount(kept[0].amount)),
        ("contained", amount(kept[0].contained)),
        ("strength", strength(kept[0].formulation)),
    )
    return Message("amount.with-strength", values)


def _is_above(order: MedicineInUse, most: Quantity, medicine: Medicine) -> bool:
    """Whether the amount is more than the most that is ever given, of whatever product."""
    told = [each for each in (order.amount, order.contained) if each is not None]
    forms = [form for form in medicine.formulations if order.formulation in ("", form.code)]
    held = [
        form.contained(each)
        for each in told
        for form in forms
        if convertible(each.unit, form.per.unit)
    ]
    held += [each.to(most.unit) for each in told if convertible(each.unit, most.unit)]
    return bool(held) and all(each.to(most.unit).value > most.value for each in held)


def due_of_each(
    medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> Iterator[Dose | NoDose]:
    """What would be due of each product of the medicine, or why nothing is."""
    then, weight = _then(medicine, began, facts), weight_of_day_one(began, facts, kg)
    for form in medicine.formulations:
        yield make_dose(medicine, then, weight, only=form.code)
