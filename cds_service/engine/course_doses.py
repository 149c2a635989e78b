"""What one dose of a running course is: as ordered, what is in it, of which product, made up how.

Clinical content, section 4: "Always print strength and volume together"; every answer shows the
measured dose, the mg and the mg/kg. Section 3: rule, age and weight of treatment day 1 hold. What
the order leaves open is never guessed: then what is due is told beside it, marked as due.
"""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import MedicineInUse
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.dose_notes import printed
from cds_service.engine.facts import Facts
from cds_service.engine.instructions import preparation, split
from cds_service.engine.model import CourseWords, Dose, NoDose
from cds_service.engine.ordered import agrees, due_of_each, fits, is_substance, weight_of_day_one
from cds_service.engine.phrase import amount, number, strength, unit_name
from cds_service.quantity import Quantity, convertible, to_step

_TENTH = Decimal("0.1")


class _Made(NamedTuple):
    """An ordered dose as it is measured of one product."""

    form: Formulation
    measured: Quantity
    contained: Quantity


def course_words(
    order: MedicineInUse, medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> CourseWords:
    """The words about one dose of a course that runs by an order."""
    each = list(due_of_each(medicine, began, facts, kg))
    due = [dose for dose in each if isinstance(dose, Dose)]
    made = list(_made(order, medicine, due, facts))
    if made:
        return _certain(order, medicine, made, began, facts, kg)
    told: list[Message] = []
    if order.amount is None:
        told.append(Message("course.amount-missing"))
    else:
        told.append(Message("course.amount", (("amount", amount(order.amount)),)))
        told.append(Message("course.product-missing"))
    return CourseWords(tuple(told), tuple(_due(order, medicine, each, facts, kg)))


def _made(
    order: MedicineInUse, medicine: Medicine, due: list[Dose], facts: Facts
) -> Iterator[_Made]:
    """The ordered dose in each product of which it certainly is one; none when that is open."""
    ordered = order.amount
    if ordered is None:
        return
    for form in _forms(order, medicine, facts):
        dose = next((one for one in due if one.formulation is form), None)
        if is_substance(ordered):
            yield from _measured(form, ordered, medicine, dose, facts.protocol)
        elif convertible(ordered.unit, form.per.unit):
            measured = ordered.to(form.per.unit)
            if not _is_of(form, measured, order, dose, facts.protocol):
                continue
            yield _Made(form, measured, form.contained(measured))


def _is_of(
    form: Formulation,
    measured: Quantity,
    order: MedicineInUse,
    dose: Dose | None,
    protocol: Protocol,
) -> bool:
    """Whether a measured amount is certainly one of this product, as it is measured out."""
    held = form.contained(measured)
    if order.contained is not None:
        same = convertible(held.unit, order.contained.unit)
        return same and agrees(order.contained.to(held.unit).value / held.value, protocol)
    if not order.formulation:
        return False
    # A volume of what is diluted first may be meant before or after that; the dose due decides.
    return not form.is_thinned or (dose is not None and fits(order, dose, protocol))


def _measured(
    form: Formulation,
    ordered: Quantity,
    medicine: Medicine,
    dose: Dose | None,
    protocol: Protocol,
) -> Iterator[_Made]:
    """An order of substance in a product, when it can be measured out near enough."""
    if not convertible(ordered.unit, form.substance.unit):
        return
    exact = form.amount_for(ordered.to(form.substance.unit).value)
    value = to_step(exact, form.step.value, _rounding(medicine, dose))
    if value > 0 and agrees(value / exact, protocol):
        measured = Quantity(value, form.per.unit)
        yield _Made(form, measured, form.contained(measured))


def _rounding(medicine: Medicine, dose: Dose | None) -> str:
    """As the rule of the dose that is due rounds; down when none is known: never more."""
    if dose is None:
        return "down"
    per_kg = [rule.per_kg for rule in medicine.rules if rule.code == dose.rule and rule.per_kg]
    return per_kg[0].rounding if per_kg else "nearest"


def _forms(order: MedicineInUse, medicine: Medicine, facts: Facts) -> list[Formulation]:
    """The product that is ordered; else those in stock, or all when none is known to be."""
    if order.formulation:
        return [medicine.formulation(order.formulation)]
    stock = facts.case.stock
    every = list(medicine.formulations)
    kept = [form for form in every if stock is None or form.code in stock] or every
    ordered = order.amount
    if ordered is None or is_substance(ordered):
        return kept
    return [form for form in kept if convertible(ordered.unit, form.per.unit)] or kept


def _certain(
    order: MedicineInUse,
    medicine: Medicine,
    made: list[_Made],
    began: date,
    facts: Facts,
    kg: Decimal | None,
) -> CourseWords:
    ordered = order.amount or made[0].measured
    weight = weight_of_day_one(began, facts, kg)
    if len(made) == 1:
        (one,) = made
        of = Message("course.amount-of", _ordered(ordered, one, weight))
        ready = _ready(medicine, one.form, one.measured, facts.protocol)
        return CourseWords((of,), tuple(ready), _in_mg(one))
    told: list[Message] = []
    for each in made:
        told.append(Message("course.amount-by", _ordered(ordered, each, weight)))
        told += _ready(medicine, each.form, each.measured, facts.protocol)
    first = Message("course.amount", (("amount", amount(ordered)),))
    return CourseWords((first,), tuple(told))


def _ordered(
    ordered: Quantity, each: _Made, weight: Decimal | None
) -> tuple[tuple[str, str | Message], ...]:
    other = each.measured if is_substance(ordered) else each.contained
    values = (("ordered", amount(ordered)), ("amount", _content(other)))
    return (*values, *_product(each.form), ("per_kg", _per_kg(each, weight)))


def _in_mg(one: _Made) -> Message:
    values = (("amount", amount(one.measured)), ("contained", _content(one.contained)))
    return Message("amount.with-strength", (*values, ("strength", strength(one.form))))


def _per_kg(each: _Made, weight: Decimal | None) -> Message | str:
    if weight is None:
        return ""
    return _told_per_kg(each.contained.value / weight, each.contained.unit, weight)


def _told_per_kg(value: Decimal, unit: str, weight: Decimal) -> Message:
    """ ": 7.4 mg/kg for a weight of 3.4 kg"."""
    figure = f"{number(to_step(value, _TENTH, 'nearest'))} {unit_name(unit)}/kg"
    return Message("course.per-kg", (("per_kg", figure), ("weight", f"{number(weight)} kg")))


def _ready(
    medicine: Medicine, form: Formulation, measured: Quantity, protocol: Protocol
) -> Iterator[Message]:
    yield preparation(form, measured, protocol)
    yield from split(medicine, form, measured)


def _due(
    order: MedicineInUse,
    medicine: Medicine,
    each: list[Dose | NoDose],
    facts: Facts,
    kg: Decimal | None,
) -> Iterator[Message]:
    """What is due of each product by the rule of treatment day 1, and how it is prepared."""
    forms = _forms(order, medicine, facts)
    due = [dose for dose in each if isinstance(dose, Dose) and dose.formulation in forms]
    least = facts.protocol.low_weight.dose_from
    if kg is not None and kg < least.value:
        values = (("weight", f"{number(kg)} kg"), ("least", str(least.quantity)))
        yield Message("course.due-unknown", (("why", Message("no-dose.too-light", values)),))
        return
    if not due:
        found = next((no.reason for no in each if isinstance(no, NoDose)), "")
        why = Message("no-dose.no-weight") if kg is None else found
        yield Message("course.due-unknown", (("why", why),))
        return
    for dose in due:
        yield Message("course.due", _due_values(dose))
        yield from _ready(medicine, dose.formulation, dose.amount, facts.protocol)
    yield Message("course.compare")


def _due_values(dose: Dose) -> tuple[tuple[str, str | Message], ...]:
    shown: Message | str = ""
    if dose.per_kg is not None and dose.weight is not None:
        shown = _told_per_kg(dose.per_kg, dose.contained.unit, dose.weight.value)
    amounts = (("amount", amount(dose.amount)), ("contained", _content(dose.contained)))
    return (*amounts, *_product(dose.formulation), ("per_kg", shown))


def _product(form: Formulation) -> tuple[tuple[str, str | Message], ...]:
    return (("strength", strength(form)), ("formulation", Message(f"formulation.{form.code}")))


def _content(of: Quantity) -> Message:
    return amount(Quantity(printed(of.value), of.unit)) if is_substance(of) else amount(of)
