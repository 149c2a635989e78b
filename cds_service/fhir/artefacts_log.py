"""What defines the log's interface: the operations on GuidanceResponse and the codes of entries.

Their texts are of the program and not of a protocol, so that a word in them changes no content.
"""

from typing import NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.audit_event import (
    ENTRY_SYSTEM,
    FEEDBACK,
    HOOK,
    KEY,
    NOTE,
    READING,
    RECOMMENDATION,
    RENDERING,
)
from cds_service.fhir.read_feedback import ACCEPTED, OVERRIDDEN
from cds_service.fhir.write_json import Json


class _Parameter(NamedTuple):
    name: str
    use: str
    min: int
    max: str
    type: str
    documentation: str
    part: "tuple[_Parameter, ...]" = ()


class _Operation(NamedTuple):
    id: str
    code: str
    title: str
    about: str
    parameters: tuple[_Parameter, ...]
    changes: bool = False
    """Whether it records anything."""
    on_type: bool = False
    """Whether it can be called without the id of a decision."""


_ENTRY = _Parameter(
    "entry", "in", 0, "1", "integer", "Index of the entry in the log; without it by the decision."
)
_RECORD = _Operation(
    "record-of-guidance",
    "record",
    "Read all that was recorded of a recommendation",
    "A collection: the AuditEvent; the request and the whole answer with its trace, both as the "
    "very bytes that were recorded; an AuditEvent for each feedback. Without `entry` the newest "
    "entry of the decision.",
    (_ENTRY, _Parameter("return", "out", 1, "1", "Bundle", "The collection.")),
)
_REPLAYED = (
    _Parameter("index", "out", 1, "1", "string", "Its index in the log."),
    _Parameter("event", "out", 1, "1", "Reference", "Its AuditEvent."),
    _Parameter("proof", "out", 1, "1", "uri", "Where its proof is, on this server."),
    _Parameter("equal", "out", 0, "1", "boolean", "Absent when it could not be replayed."),
    _Parameter("difference", "out", 0, "*", "string", "What differs, in words."),
    _Parameter("not-replayed", "out", 0, "*", "string", "Why it could not be replayed."),
)
_REPLAY = _Operation(
    "replay-guidance",
    "replay",
    "Replay a recommendation",
    "Decides again what was asked then, by the content that decided it, and compares the bytes. "
    "Without `entry` the newest 20 entries of the decision.",
    (
        _ENTRY,
        _Parameter("equal", "out", 1, "1", "boolean", "Whether every entry gave the same bytes."),
        _Parameter("entry", "out", 1, "*", "", "One entry that was replayed.", _REPLAYED),
    ),
    on_type=True,
)
_FEEDBACK = _Operation(
    "feedback-on-guidance",
    "feedback",
    "Say what became of a recommendation",
    "Recorded as an entry of its own; nothing that was recorded before is ever changed.",
    (
        _Parameter("outcome", "in", 1, "1", "code", f"{ACCEPTED} or {OVERRIDDEN}."),
        _Parameter("by", "in", 1, "1", "Reference", "Who decided; or a name as valueString."),
        _Parameter(
            "reason",
            "in",
            0,
            "1",
            "CodeableConcept",
            f"Why, or in words as valueString; needed when {OVERRIDDEN}.",
        ),
        _Parameter(
            "action",
            "in",
            0,
            "1",
            "Reference",
            "The fullUrl of the part of the answer that is meant; without it all of it.",
        ),
        _ENTRY,
        _Parameter("outcome", "out", 1, "1", "code", "As it was sent."),
        _Parameter("about", "out", 1, "1", "Reference", "The GuidanceResponse, with its version."),
        _Parameter("recorded", "out", 1, "1", "instant", "When."),
    ),
    changes=True,
)
_CODES = (
    (RECOMMENDATION, "A recommendation was given"),
    (NOTE, "Its answer was the referral note"),
    (HOOK, "Its answer were the cards of CDS Hooks"),
    (FEEDBACK, "What became of a recommendation was said"),
    (ACCEPTED, "The recommendation was accepted"),
    (OVERRIDDEN, "The recommendation was overridden"),
    (RENDERING, "A label or leaflet of a recommendation was printed"),
    (READING, "An auditor read something of the log over HTTP"),
    ("erasure", "The request and the answer of an entry were erased"),
    ("taken-over", "A log without a tree was taken over"),
    (KEY, "The key by which a retry is known"),
)


def log_artefacts(protocol: Protocol, base: str) -> list[Json]:
    """The CodeSystem and the OperationDefinitions."""
    draft = words(protocol, "artefact.draft")
    operations = (_RECORD, _REPLAY, _FEEDBACK)
    return [
        _code_system(protocol, base, draft),
        *(_definition(protocol, base, each, draft) for each in operations),
    ]


def _code_system(protocol: Protocol, base: str, draft: str) -> Json:
    about = "What an entry of the log is: AuditEvent.subtype, and tags of a GuidanceResponse."
    title = "Entries of the log"
    started = headed(protocol, base, "CodeSystem", ENTRY_SYSTEM, title, f"{about} {draft}")
    return started | {
        "caseSensitive": True,
        "content": "complete",
        "count": len(_CODES),
        "concept": [{"code": code, "display": display} for code, display in _CODES],
    }


def _definition(protocol: Protocol, base: str, operation: _Operation, draft: str) -> Json:
    about, kind = f"{operation.about} {draft}", "OperationDefinition"
    return headed(protocol, base, kind, operation.id, operation.title, about) | {
        "kind": "operation",
        "affectsState": operation.changes,
        "code": operation.code,
        "resource": ["GuidanceResponse"],
        "system": False,
        "type": operation.on_type,
        "instance": True,
        "parameter": [_written(each) for each in operation.parameters],
    }


def _written(parameter: _Parameter) -> Json:
    said = {name: value for name, value in parameter._asdict().items() if value not in ("", ())}
    if parameter.part:
        said["part"] = [_written(each) for each in parameter.part]
    return said
