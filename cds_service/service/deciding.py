"""One request to one answer, and a recorded request once more; nothing is recorded here."""

from cds_service.audit.record import RECOMMENDATION, Entry
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.fhir.read import read
from cds_service.fhir.write import write
from cds_service.fhir.write_note import write_note
from cds_service.service.languages import looked_up

_DOCUMENT = b'"type":"document"'
"""Stands in every referral note, and in no other answer."""


def is_note(entry: Entry) -> bool:
    """Whether the answer of this entry is a referral note."""
    return entry.kind == RECOMMENDATION and _DOCUMENT in entry.response


def decided_again(entry: Entry, protocol: Protocol, *, base: str) -> tuple[Decision, bytes]:
    """The decision on a recorded request, and its answer; not for a call of CDS Hooks.

    Raises RequestError.
    """
    request = read(entry.request, protocol, now=entry.recorded, strict=entry.strict)
    decision, note = decide(request.case, protocol), is_note(entry)
    language = looked_up(entry.language, protocol.languages)
    return decision, written(decision, request.language, language, base=base, note=note)


def written(decision: Decision, asked: str, language: str, *, base: str, note: bool) -> bytes:
    """The answer's bytes; `asked` is the language that the request itself asks for.

    Of the caller's wishes the log has only that one, and a replay must say the same: so only that
    one is said to be unmet.
    """
    if note:
        return write_note(decision, base=base, language=language)
    unmet = "" if looked_up(asked, decision.protocol.languages) else asked
    return write(decision, base=base, language=language, unmet=unmet)
