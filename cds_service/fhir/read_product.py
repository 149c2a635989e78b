"""Which product a resource names: its concept, its code among ours, its strength."""

from collections.abc import Sequence
from typing import Any, TypeVar

from msgspec import UNSET, Raw, UnsetType

from cds_service.content.medicine import Formulation
from cds_service.fhir import terms
from cds_service.fhir.codes import UCUM
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.references import points_at
from cds_service.fhir.wire import Concept, Id, Quantity, Wire, decode, decoder
from cds_service.fhir.wire_resources import Medicated, Medication
from cds_service.quantity import Quantity as Amount
from cds_service.quantity import convertible, plain

M = TypeVar("M", bound=Medicated)

Strength = tuple[Amount, Amount]
"""Substance, and per how much of the product."""


class _Contained(Wire, kw_only=True):
    resource_type: str
    id: Id | UnsetType = UNSET


class _Ratio(Wire, kw_only=True):
    numerator: Quantity | UnsetType = UNSET
    denominator: Quantity | UnsetType = UNSET


class _Ingredient(Wire, kw_only=True):
    strength: _Ratio | UnsetType = UNSET


_CONTAINED, _MEDICATION = decoder(_Contained), decoder(Medication)
_INGREDIENT = decoder(_Ingredient)


def product(sent: Sent[M], context: Context) -> tuple[Concept, str]:
    """What is said of the product: its concept, and the words beside a reference to it."""
    concept, reference = _concept(sent, context), sent.resource.medication_reference
    display = "" if reference is UNSET or reference.display is UNSET else reference.display
    return concept or Concept(), display


def product_code(medicine: str, sent: Sent[M], context: Context) -> str:
    """The one product of the medicine that is named by its code; "" for none, or several."""
    concept, _ = product(sent, context)
    named = {
        str(one.code) for one in concept.codings() if terms.is_own(one.system, terms.FORMULATION)
    }
    own = {form.code for form in context.lookup.protocol.medicine_by_code[medicine].formulations}
    return named.pop() if len(named) == 1 and named <= own else ""


def strength_of(sent: Sent[M], context: Context) -> Strength | None:
    """The strength of the Medication that is referred to, when it has one substance only."""
    medication = _medication(sent, context)
    if medication is None or medication.ingredient is UNSET or len(medication.ingredient) != 1:
        return None
    (raw,) = medication.ingredient
    strength = decode(_INGREDIENT, raw, sent.origin.expression).strength
    if strength is UNSET or strength.numerator is UNSET or strength.denominator is UNSET:
        return None
    top, bottom = certain(strength.numerator), certain(strength.denominator)
    return None if top is None or bottom is None else (top, bottom)


def formulation(concept: Concept, strength: Strength | None, forms: Sequence[Formulation]) -> str:
    """By its code, else the only one of that strength as it is measured out."""
    codes = {form.code for form in forms}
    for each in concept.codings():
        if terms.is_own(each.system, terms.FORMULATION) and each.code in codes:
            return str(each.code)
    alike = [form.code for form in forms if strength and _is_of(form, strength)]
    return alike[0] if len(alike) == 1 else ""


def held_in(amount: Amount, strength: Strength) -> Amount | None:
    """What is in a measured amount of that strength; None when it is measured otherwise."""
    top, bottom = strength
    if not convertible(amount.unit, bottom.unit):
        return None
    return Amount(plain(amount.to(bottom.unit).value * top.value / bottom.value), top.unit)


def certain(found: Quantity) -> Amount | None:
    """An amount above zero in one unit, whose words do not say another; None for any other."""
    unit = found.code
    if found.system != UCUM or not isinstance(unit, str) or not convertible(unit, unit):
        return None
    if found.number is None or found.number <= 0 or found.comparator is not UNSET:
        return None
    if found.unit is not UNSET and terms.units_contradict(found.unit, unit):
        return None
    return Amount(plain(found.number), unit)


def _is_of(form: Formulation, strength: Strength) -> bool:
    top, bottom = strength
    if form.beside or not convertible(top.unit, form.substance.unit):
        return False
    if not convertible(bottom.unit, form.per.unit):
        return False
    held = top.to(form.substance.unit).value * form.per.value
    return held == form.substance.value * bottom.to(form.per.unit).value


def _concept(sent: Sent[M], context: Context) -> Concept | None:
    if sent.resource.medication_codeable_concept is not UNSET:
        return sent.resource.medication_codeable_concept
    medication = _medication(sent, context)
    return None if medication is None or medication.code is UNSET else medication.code


def _medication(sent: Sent[M], context: Context) -> Medication | None:
    """The Medication that is referred to, when there is one and it may be used."""
    reference = sent.resource.medication_reference
    if reference is UNSET or reference.reference is UNSET:
        return None
    if reference.reference.startswith("#"):
        return _usable(_contained(sent, reference.reference[1:]))
    found = [
        one for one in context.medications if points_at(reference.reference, sent.full_url, one)
    ]
    return _usable(found[0].resource) if len(found) == 1 else None


def _usable(medication: Medication | None) -> Medication | None:
    if medication is None or medication.has_unknown_rules():
        return None
    return None if medication.status == "entered-in-error" else medication


def _contained(sent: Sent[M], wanted: str) -> Medication | None:
    contained: list[Raw] | Any = sent.resource.contained
    for index, raw in enumerate([] if contained is UNSET else contained):
        place = f"{sent.origin.expression}.contained[{index}]"
        head = decode(_CONTAINED, raw, place)
        if head.id == wanted and head.resource_type == "Medication":
            return decode(_MEDICATION, raw, place)
    return None
