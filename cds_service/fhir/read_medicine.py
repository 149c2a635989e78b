"""Medicines given and in use."""

from datetime import datetime, timedelta
from typing import Any, TypeVar

from msgspec import UNSET, Raw, UnsetType

from cds_service.case import GivenDose, MedicineInUse
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.read_visit import moment
from cds_service.fhir.references import points_at
from cds_service.fhir.wire import Concept, Id, Wire, decode, decoder
from cds_service.fhir.wire_resources import (
    Medicated,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    MedicationStatement,
)

M = TypeVar("M", bound=Medicated)

_GIVEN = frozenset({"completed", "in-progress"})
_NOT_GIVEN = frozenset({"not-done", "entered-in-error"})
_ORDERED = frozenset(
    {"plan", "order", "original-order", "reflex-order", "filler-order", "instance-order"}
)


class _Contained(Wire, kw_only=True):
    resource_type: str
    id: Id | UnsetType = UNSET


_CONTAINED = decoder(_Contained)
_MEDICATION = decoder(Medication)


def read_administration(sent: Sent[MedicationAdministration], context: Context) -> None:
    """A dose that was given, completed or in progress."""
    dose = sent.resource
    if dose.status in _NOT_GIVEN:
        return
    if dose.status not in _GIVEN:
        context.facts.refuse("status-not-usable", sent.origin, status=dose.status)
        return
    medicine = _medicine(sent, context)
    if medicine is None:
        return
    when = moment(dose.effective_date_time, dose.effective_period)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        context.facts.refuse("future", sent.origin)
        return
    if when is not None and at is not None and when.exact is None and _is_recent(at, context):
        at = None  # "already given" is judged by hours: a date alone is asked about
    context.facts.given.append(GivenDose(medicine, at, sent.origin))


def _is_recent(at: datetime, context: Context) -> bool:
    """Whether the hour of that day still matters for the next dose."""
    gap = context.lookup.protocol.course_gap.quantity.to("h").value
    return context.visit.as_of - at <= timedelta(hours=int(gap))


def read_request(sent: Sent[MedicationRequest], context: Context) -> None:
    """An order that is active; a proposal, an option or a draft is none."""
    order = sent.resource
    if order.status == "unknown":
        context.facts.refuse("status-not-usable", sent.origin, status=order.status)
        return
    if order.status != "active" or order.intent not in _ORDERED or order.do_not_perform is True:
        return
    if order.authored_on is not UNSET and context.visit.time(order.authored_on) is None:
        context.facts.refuse("future", sent.origin)
        return
    medicine = _medicine(sent, context)
    if medicine is not None:
        context.facts.in_use.append(MedicineInUse(medicine, sent.origin))


def read_statement(sent: Sent[MedicationStatement], context: Context) -> None:
    """A medicine that is said to be in use now."""
    statement = sent.resource
    if statement.status == "unknown":
        context.facts.refuse("status-not-usable", sent.origin, status=statement.status)
        return
    if statement.status != "active":
        return
    medicine = _medicine(sent, context)
    if medicine is None:
        return
    period = statement.effective_period
    if period is not UNSET and period.end is not UNSET:
        end = context.visit.time(period.end)
        if end is not None and end < context.visit.as_of:
            context.facts.refuse("medicine-ended", sent.origin)
            return
    context.facts.in_use.append(MedicineInUse(medicine, sent.origin))


def _medicine(sent: Sent[M], context: Context) -> str | None:
    concept = _concept(sent, context.medications)
    medicine = None if concept is None else context.lookup.medicine(concept)
    if medicine is None:
        context.facts.refuse("medicine-not-understood", sent.origin)
    return medicine


def _concept(sent: Sent[M], medications: list[Sent[Medication]]) -> Concept | None:
    resource = sent.resource
    if resource.medication_codeable_concept is not UNSET:
        return resource.medication_codeable_concept
    reference = resource.medication_reference
    if reference is UNSET or reference.reference is UNSET:
        return None
    if reference.reference.startswith("#"):
        return _usable(_contained(sent, reference.reference[1:]))
    found = [one for one in medications if points_at(reference.reference, sent.full_url, one)]
    return _usable(found[0].resource) if len(found) == 1 else None


def _usable(medication: Medication | None) -> Concept | None:
    if medication is None or medication.has_unknown_rules() or medication.code is UNSET:
        return None
    return None if medication.status == "entered-in-error" else medication.code


def _contained(sent: Sent[M], wanted: str) -> Medication | None:
    contained: list[Raw] | Any = sent.resource.contained
    for index, raw in enumerate([] if contained is UNSET else contained):
        place = f"{sent.origin.expression}.contained[{index}]"
        head = decode(_CONTAINED, raw, place)
        if head.id == wanted and head.resource_type == "Medication":
            return decode(_MEDICATION, raw, place)
    return None
