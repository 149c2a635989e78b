"""A dose that was given: when, and how much of what."""

from datetime import datetime

from msgspec import UNSET

from cds_service.case import GivenDose
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.read_course import course, is_content
from cds_service.fhir.read_product import (
    M,
    Strength,
    certain,
    held_in,
    product,
    product_code,
    strength_of,
)
from cds_service.fhir.references import points_at
from cds_service.fhir.wire_resources import MedicationAdministration, MedicationRequest
from cds_service.quantity import Quantity as Amount
from cds_service.quantity import convertible


def given_dose(
    medicine: str,
    at: datetime | None,
    sent: Sent[MedicationAdministration],
    context: Context,
) -> GivenDose:
    """The dose with what was in it, or what was measured and of which product, as recorded.

    Where the record of the dose names neither product nor strength, those of its order count.
    """
    dosage = sent.resource.dosage
    amount = None if dosage is UNSET or dosage.dose is UNSET else certain(dosage.dose)
    if amount is None:
        return GivenDose(medicine, at, sent.origin)
    if is_content(amount):
        return GivenDose(medicine, at, sent.origin, amount)
    held, form = _in_product(medicine, amount, sent, context)
    order = None if held is not None or form else _order(medicine, sent, context)
    if order is not None:
        held, form = _in_product(medicine, amount, order, context)
        if held is None:
            held = _as_ordered(medicine, amount, order, context)
    return GivenDose(medicine, at, sent.origin, held, amount, form)


def _in_product(
    medicine: str, amount: Amount, sent: Sent[M], context: Context
) -> tuple[Amount | None, str]:
    """What is in a measured amount by the strength that is recorded, and the product of ours.

    The strength on the label of a vial that is diluted first says nothing of what was measured.
    """
    strength = strength_of(sent, context)
    code = product_code(medicine, sent, context)
    if strength is None:
        return None, code
    forms = context.lookup.protocol.medicine_by_code[medicine].formulations
    thinned = [
        form.code for form in forms if form.is_thinned and _same(form.label_strength, strength)
    ]
    if thinned:
        return None, code if code in thinned else thinned[0]
    held = held_in(amount, strength)
    return held if held is not None and is_content(held) else None, code


def _same(one: Strength, other: Strength) -> bool:
    held = held_in(one[1], other)
    return (
        held is not None and convertible(held.unit, one[0].unit) and held.to(one[0].unit) == one[0]
    )


def _order(
    medicine: str, sent: Sent[MedicationAdministration], context: Context
) -> Sent[MedicationRequest] | None:
    """The order that the dose was given by, when it is one of that medicine."""
    reference = sent.resource.request
    if reference is UNSET or reference.reference is UNSET:
        return None
    text = reference.reference
    found = [each for each in context.orders if points_at(text, sent.full_url, each)]
    if len(found) != 1 or found[0].resource.status == "entered-in-error":
        return None
    named = context.lookup.medicines(*product(found[0], context))
    return found[0] if named == (medicine,) else None


def _as_ordered(
    medicine: str, amount: Amount, order: Sent[MedicationRequest], context: Context
) -> Amount | None:
    """By what the order says to be in the amount that it names, when it names both."""
    told = course(medicine, "", order, context)
    if told.amount is None or told.contained is None:
        return None
    return held_in(amount, (told.contained, told.amount))
