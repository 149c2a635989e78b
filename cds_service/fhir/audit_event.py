"""An entry of the log as a FHIR R4 AuditEvent, shaped after IHE Basic Audit Log Patterns (BALP).

The slices are those of its profiles Create and PatientCreate (IHE/ITI.BasicAudit on GitHub,
input/fsh/PatientCreate.fsh and terms.fsh): agents client, server and user, entities patient, data
and transaction. What differs, and why: `action` is E and `subtype` is `operation`, because an
operation was called and nothing was created; the client has no `network`, because the log
does not keep from where it called. So no conformance to a profile is claimed in `meta`.
"""

import base64
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from cds_service.fhir.codes import own_system
from cds_service.fhir.read_feedback import Feedback
from cds_service.fhir.write_json import Json

ENTRY_SYSTEM: Final = "log-entry"
"""Our code system for what an entry is, used in `subtype`."""
HOOK: Final = "cds-hooks"
"""Subtype of a recommendation whose answer were the cards of CDS Hooks."""
NOTE: Final = "referral-note"
"""Subtype of a recommendation whose answer was the referral note."""
FEEDBACK: Final = "feedback"
"""Subtype of what was said about a recommendation; with it comes `accepted` or `overridden`."""
RECOMMENDATION: Final = "recommendation"
READING: Final = "reading"
"""Subtype of what an auditor read of the log."""
RENDERING: Final = "rendering"
"""Subtype of what was printed of a recommendation."""
KEY: Final = "idempotency-key"
"""Type of the entity that holds the key by which a retry is known."""

_THO = "http://terminology.hl7.org/CodeSystem"
_REST = {"system": f"{_THO}/audit-event-type", "code": "rest", "display": "RESTful Operation"}
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_OPERATION = {"system": _INTERACTION, "code": "operation"}
_READS = {"search": "search-type", "read": "read"}
"""Interactions of FHIR among what auditors do; the others are operations, or none of FHIR's."""
_LIFECYCLE = f"{_THO}/iso-21089-lifecycle"
_DESTROY = {"system": _LIFECYCLE, "code": "destroy"}
_TRANSFORM = {"system": _LIFECYCLE, "code": "transform"}
_TYPES = {"erasure": (_DESTROY, "D"), "taken-over": (_TRANSFORM, "U")}
"""AuditEvent.type and action of what no caller asked for over HTTP."""
_DCM = "http://dicom.nema.org/resources/ontology/DCM"
_SOURCE, _DESTINATION = "110153", "110152"
_PERSON, _OBJECT = "1", "2"
_PATIENT_ROLE, _DOMAIN_RESOURCE = "1", "4"


@dataclass(frozen=True, slots=True)
class Event:
    """One entry as an auditor sees it; what an erased entry has no more is empty."""

    index: int
    kind: str
    recorded: datetime
    tenant: str
    caller: str
    protocol: str
    content_digest: str
    code_version: str
    leaf_hash: bytes
    """The hash of its leaf in the tree."""
    about: int | None = None
    erased: bool = False
    erased_by: int | None = None
    """Index of the entry that says why."""
    altered: bool = False
    """Whether what is stored of it is not what was recorded: then only its leaf is told of."""
    decision: str = ""
    patient: str = ""
    outcome: str = ""
    key: str = ""
    """The Idempotency-Key."""
    note: bool = False
    """Whether the answer was the referral note."""
    hook: bool = False
    """Whether the answer were the cards of CDS Hooks."""
    feedback: Feedback | None = None
    reason: str = ""
    """Why a payload was erased."""
    read: str = ""
    """What kind of call read the log."""
    read_by: tuple[str, ...] = ()
    """By which parameters it searched."""
    shown: tuple[int, ...] = ()
    """Which entries it was shown."""
    shown_count: int = 0
    """How many those were; `shown` names the first of them."""


def audit_event(event: Event, base: str) -> Json:
    """The AuditEvent; `base` is the canonical base of our code systems and identifiers."""
    type_, action = _TYPES.get(event.kind, (_REST, "R" if event.kind == READING else "E"))
    resource: Json = {
        "resourceType": "AuditEvent",
        "id": f"log-{event.index}",
        "language": "en",
        "type": type_,
        "subtype": [*([_interaction(event)] if type_ is _REST else []), *_subtypes(event, base)],
        "action": action,
        "recorded": event.recorded.isoformat(),
        "outcome": "0",
    }
    if event.outcome or event.altered:
        resource["outcomeDesc"] = _ALTERED if event.altered else event.outcome
    return resource | {
        "agent": _agents(event, base),
        "source": {
            "observer": _device(base),
            "type": [{"system": f"{_THO}/security-source-type", "code": "4"}],
        },
        "entity": _entities(event, base),
    }


_ALTERED = "What is stored of this entry is not what was recorded: verify the log."


def proof_address(index: int) -> str:
    """Where the proof of an entry is, on this server."""
    return f"/log/proof/inclusion/{index}"


def guidance_reference(decision: str, index: int) -> str:
    """The GuidanceResponse of a decision, as the entry at `index` has it."""
    return f"GuidanceResponse/{decision}/_history/{index}"


def _interaction(event: Event) -> Json:
    code = _READS.get(event.read)
    return _OPERATION if code is None else {"system": _INTERACTION, "code": code}


def _subtypes(event: Event, base: str) -> list[Json]:
    codes = [event.kind]
    if event.note:
        codes.append(NOTE)
    if event.hook:
        codes.append(HOOK)
    if event.kind == FEEDBACK and event.outcome:
        codes.append(event.outcome)
    return [{"system": own_system(base, ENTRY_SYSTEM), "code": code} for code in codes]


def _agents(event: Event, base: str) -> list[Json]:
    """Client, server, then the organisation and the person, where they are known."""
    person = event.feedback
    client: Json = {"display": "unknown: the caller was not authenticated"}
    if event.caller:
        client = _identified("Device", f"{base}/sid/caller", event.caller)
    if event.kind in _TYPES and not event.caller:
        client = {"display": "whoever runs the service"}
    server = _agent(_DCM, _DESTINATION, _device(base)) | {"network": {"address": base, "type": "5"}}
    agents = [_agent(_DCM, _SOURCE, client, asked=person is None), server]
    participation = f"{_THO}/v3-ParticipationType"
    if event.tenant:
        who = _identified("Organization", f"{base}/sid/tenant", event.tenant)
        agents.append(_agent(participation, "CST", who))
    if person is not None:
        who = {"reference": person.by, "display": person.by_name}
        said = {name: value for name, value in who.items() if value}
        agents.append(_agent(participation, "AUT", said, asked=True))
    return agents


def _agent(system: str, code: str, who: Json, *, asked: bool = False) -> Json:
    kind = {"coding": [{"system": system, "code": code}]}
    return {"type": kind, "who": who, "requestor": asked}


def _device(base: str) -> Json:
    return _identified("Device", f"{base}/sid/device", "cds-service")


def _identified(kind: str, system: str, value: str) -> Json:
    return {"type": kind, "identifier": {"system": system, "value": value}}


def _entities(event: Event, base: str) -> list[Json]:
    entities = []
    if event.patient:
        what = {"reference": event.patient}
        entities.append(_entity(_PERSON, what, role=_PATIENT_ROLE))
    entities.append(_entity(_OBJECT, _data(event, base), _details(event), role=_DOMAIN_RESOURCE))
    if event.about is not None:
        what = {"reference": f"AuditEvent/log-{event.about}"}
        entities.append(_entity(_OBJECT, what, role=_DOMAIN_RESOURCE))
    if event.key:
        # BALP's entity `transaction` has a type for X-Request-Id only, so this one has our own.
        identifier = {"system": f"{base}/sid/idempotency-key", "value": event.key}
        kind = {"system": own_system(base, ENTRY_SYSTEM), "code": KEY}
        entities.append({"what": {"identifier": identifier}, "type": kind})
    return entities


def _entity(kind: str, what: Json, details: list[Json] | None = None, *, role: str) -> Json:
    entity: Json = {
        "what": what,
        "type": {"system": f"{_THO}/audit-entity-type", "code": kind},
        "role": {"system": f"{_THO}/object-role", "code": role},
    }
    return entity | ({"detail": details} if details else {})


def _data(event: Event, base: str) -> Json:
    """What the entry holds: the GuidanceResponse, or the entry itself by its place in the log."""
    place = {"system": f"{base}/sid/log-index", "value": str(event.index)}
    if event.decision and event.kind == RECOMMENDATION and not (event.note or event.hook):
        reference = guidance_reference(event.decision, event.index)
        return {"reference": reference, "type": "GuidanceResponse", "identifier": place}
    if event.kind in (FEEDBACK, RENDERING) and event.decision and event.about is not None:
        reference = guidance_reference(event.decision, event.about)
        return {"reference": reference, "type": "GuidanceResponse", "identifier": place}
    return {"identifier": place}


def _details(event: Event) -> list[Json]:
    said = {
        "log-index": str(event.index),
        "proof": proof_address(event.index),
        "protocol": event.protocol,
        "content-sha256": event.content_digest,
        "code-version": event.code_version,
        "decision": event.decision,
        "reason": event.reason,
        "read": event.read,
        "searched-by": " ".join(event.read_by),
        "shown": " ".join(f"AuditEvent/log-{index}" for index in event.shown),
        "shown-count": str(event.shown_count) if event.read else "",
    }
    if event.erased:
        said["erased"] = "true"
    if event.altered:
        said["altered"] = "true"
    if event.erased_by is not None:
        said["erased-by"] = f"AuditEvent/log-{event.erased_by}"
    if event.feedback is not None:
        said |= _of_feedback(event.feedback)
    details: list[Json] = [
        {"type": name, "valueString": value} for name, value in said.items() if value
    ]
    hashed = base64.b64encode(event.leaf_hash).decode()
    return [{"type": "leaf-hash", "valueBase64Binary": hashed}, *details]


def _of_feedback(feedback: Feedback) -> dict[str, str]:
    codes = " ".join(feedback.reason_codes)
    return {"reason": feedback.reason, "reason-code": codes, "action": feedback.action}
