"""From the bytes of a request to a Case: the one way in.

The steps: text, body, entries, patient, visit, facts, age. What is not FHIR R4 stops at the
first three with 400, what is understood but gives no plan with 422; a single thing that cannot
be used as a fact is a Refusal in the Case, with its reason.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from cds_service.case import Case, Refusal
from cds_service.content.treatment import Protocol
from cds_service.engine.check_model import DraftOrder
from cds_service.errors import MalformedRequest, UnusableRequest
from cds_service.fhir import facts as order
from cds_service.fhir import json_text, lookup, read_patient
from cds_service.fhir.context import Context
from cds_service.fhir.facts import UNKNOWN_OBSERVATIONS, Facts, Sent
from cds_service.fhir.read_age import settle
from cds_service.fhir.read_body import Body, read_body
from cds_service.fhir.read_condition import (
    about_allergy,
    about_condition,
    read_allergy,
    read_condition,
)
from cds_service.fhir.read_drafts import Drafts, read_drafts
from cds_service.fhir.read_entries import Entries, read_entries, read_whole
from cds_service.fhir.read_medicine import (
    about_medicine,
    read_administration,
    read_request,
    read_statement,
)
from cds_service.fhir.read_observation import about_observation, read_observation
from cds_service.fhir.read_response import about_response, read_response
from cds_service.fhir.read_visit import visit
from cds_service.fhir.references import Subject
from cds_service.fhir.wire import Resource
from cds_service.fhir.wire_resources import (
    AllergyIntolerance,
    Condition,
    Encounter,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    MedicationStatement,
    Observation,
    Patient,
    QuestionnaireResponse,
)

_Reader = Callable[[Sent[Any], Context], None]
_About = Callable[[Sent[Any], Context], tuple[str, ...]]
_READERS: tuple[tuple[type[Resource], _Reader, _About], ...] = (
    (AllergyIntolerance, read_allergy, about_allergy),
    (Condition, read_condition, about_condition),
    (MedicationAdministration, read_administration, about_medicine),
    (MedicationRequest, read_request, about_medicine),
    (MedicationStatement, read_statement, about_medicine),
    (Observation, read_observation, about_observation),
    (QuestionnaireResponse, read_response, about_response),
)
"""How each type is read, and what a resource is about that may not be used."""


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked: the case, and the language of the answer (BCP-47, "" when not said)."""

    case: Case
    language: str
    drafts: tuple[DraftOrder, ...] = ()
    """The orders that were drafted beside the data."""


def read(
    body: bytes,
    protocol: Protocol,
    *,
    now: datetime,
    strict: bool = False,
    any_age: bool = False,
    drafts: Drafts = (),
) -> Request:
    """Read the body of `$apply`: Parameters, or the data Bundle alone.

    `now` (with an offset) is the moment of the visit unless the request says another. `strict`
    is FHIR's `Prefer: handling=strict`: unknown elements are refused, and so is the request
    when anything in it cannot be used as a fact. `any_age`: an age outside the protocol is no
    reason to refuse, the decision says so. `drafts` are orders to be read and not used as facts.

    Raises MalformedRequest (not JSON, not FHIR R4) and UnusableRequest (no single living
    patient, age outside the protocol, strict).
    """
    tree = json_text.parse(body)
    codes = lookup.of(protocol)
    asked, entries = _decoded(body, tree, codes)
    if strict:
        _check_elements(body, tree)
    case, drafted = _case(asked, entries, codes, now, drafts, any_age=any_age)
    if strict and (faults := [r for r in case.refusals if r.reason != UNKNOWN_OBSERVATIONS]):
        _refuse_all(faults, protocol)
    return Request(case, asked.language, drafted)


def _decoded(body: bytes, tree: Any, codes: lookup.Lookup) -> tuple[Body, Entries]:
    """Decode in one go; where that does not succeed, one by one, which finds all that is wrong."""
    try:
        asked = read_body(body, tree, codes, whole=True)
        entries = read_whole(asked)
    except MalformedRequest:
        entries = None
    if entries is None:
        asked = read_body(body, tree, codes, whole=False)
        entries = read_entries(asked)
    return asked, entries


def _case(
    asked: Body,
    entries: Entries,
    codes: lookup.Lookup,
    now: datetime,
    drafts: Drafts,
    *,
    any_age: bool,
) -> tuple[Case, tuple[DraftOrder, ...]]:
    patient = read_patient.choose(entries.of(Patient), asked)
    facts = Facts(refusals=asked.refusals)
    read_patient.note_doubts(patient, facts)
    subject = Subject(patient)
    when = visit(asked, entries.of(Encounter), subject, facts, codes.visit_length, now)
    orders = [sent for sent in entries.of(MedicationRequest) if not subject.why_not(sent)]
    context = Context(codes, when, entries.of(Medication), facts, orders)
    for kind, reader, about in _READERS:
        for sent in entries.of(kind):
            reason = subject.why_not(sent)
            if reason:
                its = () if reason == "subject-other" else about(sent, context)
                facts.refuse(reason, sent.origin, its)
            else:
                reader(sent, context)
    facts.refuse_unknown(asked.place)
    when.note_offsets(asked, facts)
    age = settle(read_patient.age_by_birth_date(patient, when.as_of, facts), context.ages, facts)
    if age is not None and not (any_age and age.high >= 0):
        read_patient.check_age(age, codes.age_limit)
    case = Case(
        subject=patient.origin.reference,
        as_of=when.as_of,
        visit_end=when.end,
        visit_start=when.start,
        age=age,
        sex=read_patient.sex(patient.resource),
        findings=order.in_order(facts.findings, order.code_of, order.finding_key),
        measurements=order.in_order(facts.measurements, order.kind_of, order.measurement_key),
        given=tuple(sorted(facts.given, key=order.given_key)),
        in_use=tuple(sorted(facts.in_use, key=order.in_use_key)),
        missed=tuple(sorted(facts.missed, key=order.given_key)),
        earlier=tuple(sorted(facts.earlier, key=order.earlier_key)),
        stock=asked.stock,
        refusals=tuple(sorted(facts.refusals, key=order.refusal_key)),
        encounter=when.encounter,
        subject_origin=patient.origin,
    )
    return case, read_drafts(drafts, subject, context)


def _check_elements(body: bytes, tree: Any) -> None:
    # Only strict requests pay for loading FHIR's full models.
    from cds_service.fhir.read_strict import check

    check(body, tree)


def _refuse_all(faults: list[Refusal], protocol: Protocol) -> None:
    from cds_service.fhir.read_strict import problem

    # One resource may be refused for several signs, in the same words.
    raise UnusableRequest(*dict.fromkeys(problem(one, protocol) for one in faults))
