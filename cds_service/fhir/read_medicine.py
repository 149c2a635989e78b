"""Medicines given and in use."""

from datetime import datetime, timedelta
from typing import Any

from msgspec import UNSET

from cds_service.case import Answer, Finding, MedicineInUse, MissedDose
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.read_course import course, reported
from cds_service.fhir.read_given import given_dose
from cds_service.fhir.read_product import M, product, product_code
from cds_service.fhir.read_visit import moment
from cds_service.fhir.wire_resources import (
    MedicationAdministration,
    MedicationRequest,
    MedicationStatement,
)

_GIVEN = frozenset({"completed", "in-progress"})
_NOT_GIVEN = frozenset({"not-done", "entered-in-error"})
_STOPPED = frozenset({"stopped", "on-hold"})
_NOT_IN_USE = {
    "completed": "medicine-ended",
    "stopped": "medicine-stopped",
    "on-hold": "medicine-stopped",
    "not-taken": "medicine-not-taken",
}
_ORDERED = frozenset(
    {"plan", "order", "original-order", "reflex-order", "filler-order", "instance-order"}
)


def about_medicine(sent: Sent[Any], context: Context) -> tuple[str, ...]:
    """The medicines, and the signs of other products, that a resource may say are in use."""
    resource = sent.resource
    if isinstance(resource, MedicationAdministration):
        may_be = resource.status not in _NOT_GIVEN
    elif isinstance(resource, MedicationRequest):
        may_be = resource.status == "unknown" or _is_order(resource)
    else:
        may_be = resource.status in {"active", "unknown"}
    return (*_medicines(sent, context), *_signs(sent, context)) if may_be else ()


def read_administration(sent: Sent[MedicationAdministration], context: Context) -> None:
    """A dose that was given, completed or in progress; one `not-done` was missed.

    One of which it is not sure whether or when it was given is a dose without a time, so that
    it is asked about before the next.
    """
    dose = sent.resource
    if dose.status == "not-done":
        _read_missed(sent, context)
    if dose.status in _NOT_GIVEN:
        return
    _note_product(sent, context)
    medicine = _medicine(sent, context)
    if medicine is None:
        return
    at = None
    if dose.status in _GIVEN:
        at = _given_at(sent, medicine, context)
    else:
        context.facts.refuse("status-not-usable", sent.origin, (medicine,), status=dose.status)
    context.facts.given.append(given_dose(medicine, at, sent, context))


def _read_missed(sent: Sent[MedicationAdministration], context: Context) -> None:
    """A dose that was not given says nothing of the next one, so what is not sure is left out."""
    medicines = _medicines(sent, context)
    when = moment(sent.resource.effective_date_time, sent.resource.effective_period)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        context.facts.refuse("future", sent.origin)
    elif len(medicines) == 1:
        context.facts.missed.append(MissedDose(medicines[0], at, sent.origin))


def _given_at(
    sent: Sent[MedicationAdministration], medicine: str, context: Context
) -> datetime | None:
    when = moment(sent.resource.effective_date_time, sent.resource.effective_period)
    if when is None:
        return None
    at = context.visit.time(when)
    if at is None:
        context.facts.refuse("future", sent.origin, (medicine,))
        return None
    if when.exact is None and _is_recent(at, context):
        return None  # "already given" is judged by hours: a date alone is asked about
    return context.visit.given(at)


def _is_recent(at: datetime, context: Context) -> bool:
    """Whether the hour of that day still matters for the next dose."""
    gap = context.lookup.protocol.course_gap.quantity.to("h").value
    return context.visit.as_of - at <= timedelta(hours=int(gap))


def read_request(sent: Sent[MedicationRequest], context: Context) -> None:
    """An order that is active; a proposal, an option or a draft is none."""
    order = sent.resource
    if order.status == "unknown":
        may_be = about_medicine(sent, context)
        context.facts.refuse("status-not-usable", sent.origin, may_be, status=order.status)
        return
    if not _is_order(order):
        _note_forbidden(sent, context)
        return
    if order.authored_on is not UNSET and context.visit.time(order.authored_on) is None:
        context.facts.refuse("future", sent.origin, about_medicine(sent, context))
        return
    in_use = _note_product(sent, context)
    medicine = _medicine(sent, context)
    if medicine is not None:
        # Of a product that only stands for the medicine the order's amounts are its own.
        known = MedicineInUse(medicine, sent.origin)
        form = product_code(medicine, sent, context)
        context.facts.in_use.append(known if in_use else course(medicine, form, sent, context))


def _note_forbidden(sent: Sent[MedicationRequest], context: Context) -> None:
    """That somebody stopped a medicine, or said that it is not to be given: it may be due again."""
    order = sent.resource
    if order.intent not in _ORDERED or not _medicines(sent, context):
        return
    if order.status == "active":
        context.facts.refuse("order-not-to-give", sent.origin)
    elif order.status in _STOPPED and order.do_not_perform is not True:
        context.facts.refuse("order-stopped", sent.origin)
    elif order.status == "completed" and not _is_over(sent, context):
        context.facts.refuse("order-completed", sent.origin)


def _is_over(sent: Sent[MedicationRequest], context: Context) -> bool:
    """Whether the time for which something was ordered has passed, as far as it is said."""
    (medicine, *_) = _medicines(sent, context)
    told = course(medicine, "", sent, context)
    if told.since is None or told.days is None:
        return True
    return told.since + timedelta(days=told.days) <= context.visit.as_of


def _is_order(order: MedicationRequest) -> bool:
    active = order.status == "active" and order.do_not_perform is not True
    return active and order.intent in _ORDERED


def read_statement(sent: Sent[MedicationStatement], context: Context) -> None:
    """A medicine that is said to be in use now."""
    statement = sent.resource
    if statement.status == "unknown":
        may_be = about_medicine(sent, context)
        context.facts.refuse("status-not-usable", sent.origin, may_be, status=statement.status)
        return
    if statement.status != "active":
        _read_not_in_use(sent, context)
        return
    medicine = _medicine(sent, context)
    if medicine is None and not _signs(sent, context):
        return
    end = _ended(sent, context)
    if end is not None:
        _refuse_ended("medicine-ended", sent, end, context)
        return
    period = statement.effective_period
    if period is not UNSET and period.start is not UNSET and not context.visit.time(period.start):
        context.facts.refuse("future", sent.origin, about_medicine(sent, context))
        return
    stands_for = _note_product(sent, context)
    if medicine is not None:
        known = MedicineInUse(medicine, sent.origin)
        form = product_code(medicine, sent, context)
        context.facts.in_use.append(
            known if stands_for else reported(medicine, form, sent, context)
        )


def _ended(sent: Sent[MedicationStatement], context: Context) -> datetime | None:
    """When its time was over, if that was before this visit."""
    period = sent.resource.effective_period
    end = None if period is UNSET or period.end is UNSET else context.visit.time(period.end)
    return end if end is not None and end < context.visit.as_of else None


def _read_not_in_use(sent: Sent[MedicationStatement], context: Context) -> None:
    """That a medicine was in use, or that one is not taken: it may have been, or should be."""
    reason = _NOT_IN_USE.get(sent.resource.status)
    if reason is None or not (_medicines(sent, context) or _signs(sent, context)):
        return
    if sent.resource.status == "not-taken":
        context.facts.refuse(reason, sent.origin)
        return
    when = sent.resource.effective_date_time
    at = _ended(sent, context) if when is UNSET else context.visit.time(when)
    _refuse_ended(reason, sent, at, context)


def _refuse_ended(
    reason: str, sent: Sent[MedicationStatement], at: datetime | None, context: Context
) -> None:
    """What ended at `at` (None: nobody knows when) may have been given just before.

    Then it is asked about before the next dose.
    """
    _note_given(sent, at, context)
    recent = at is None or _is_recent(at, context)
    context.facts.refuse(reason, sent.origin, _medicines(sent, context) if recent else ())


def _note_product(sent: Sent[M], context: Context) -> bool:
    """Note the signs that a product answers which is in use, runs, or was given of late."""
    resource = sent.resource
    at = None
    if isinstance(resource, MedicationAdministration) and resource.status != "in-progress":
        when = moment(resource.effective_date_time, resource.effective_period)
        at = None if when is None else context.visit.time(when)
    return _note_given(sent, at, context)


def _note_given(sent: Sent[M], at: datetime | None, context: Context) -> bool:
    """Note the signs of a product last given at `at` (None: now, or nobody knows when)."""
    signs = _signs(sent, context)
    if at is not None and not _is_recent(at, context):
        return False
    context.facts.findings += [
        Finding(code, Answer.YES, context.visit.as_of, sent.origin) for code in signs
    ]
    return bool(signs)


def _signs(sent: Sent[M], context: Context) -> tuple[str, ...]:
    return context.lookup.medicine_signs(*product(sent, context))


def _medicine(sent: Sent[M], context: Context) -> str | None:
    """The medicine; None when none is understood, or several are, which is refused."""
    found = _medicines(sent, context)
    if len(found) == 1:
        return found[0]
    if not found and _signs(sent, context):
        return None  # another product, and it is known which
    # A name that begins like that of a medicine holds its next dose until it is made out.
    about = found or context.lookup.may_be(*product(sent, context))
    context.facts.refuse("medicine-not-understood", sent.origin, about)
    return None


def _medicines(sent: Sent[M], context: Context) -> tuple[str, ...]:
    return context.lookup.medicines(*product(sent, context))
