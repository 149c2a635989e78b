"""One request to one answer, and a recorded request once more; nothing is recorded here."""

from collections.abc import Callable, Sequence
from datetime import datetime

from cds_service.audit.record import RECOMMENDATION, Entry, Origin, digest
from cds_service.case import Case
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.fhir.read import Request, read
from cds_service.fhir.write import write
from cds_service.fhir.write_note import write_note
from cds_service.service.languages import chosen_language, looked_up

_DOCUMENT = b'"type":"document"'
"""Stands in every referral note, and in no other answer."""


class Decider:
    """Decides with one protocol; whoever has a log records what it makes.

    `base` is the canonical base of our own code systems, `clock` tells the time (with zone).
    """

    def __init__(
        self, protocol: Protocol, *, base: str, code_version: str, clock: Callable[[], datetime]
    ) -> None:
        self.protocol = protocol
        self.base = base
        self.code_version = code_version
        self.clock = clock

    def decide(
        self,
        body: bytes,
        *,
        strict: bool = False,
        languages: Sequence[str] = (),
        now: datetime,
        note: bool = False,
    ) -> tuple[bytes, Decision, str]:
        """The answer's bytes, the decision behind them and the language chosen for the caregiver.

        `languages` are the caller's wishes, best first; the request's own comes before them.
        `note`: the answer is the referral note. `now` is used where the request does not say for
        when. Nothing is recorded. Raises RequestError.
        """
        request = self._read(body, now=now, strict=strict)
        decision = self._decided(request.case)
        language = chosen_language((request.language, *languages), self.protocol.languages)
        answer = self._written(decision, request.language, language, note=note)
        return answer, decision, language

    # Each step is a method, so that it can be timed (`service.spans`).

    def _read(self, body: bytes, *, now: datetime, strict: bool) -> Request:
        return read(body, self.protocol, now=now, strict=strict)

    def _decided(self, case: Case) -> Decision:
        return decide(case, self.protocol)

    def _written(self, decision: Decision, asked: str, language: str, *, note: bool) -> bytes:
        return written(decision, asked, language, base=self.base, note=note)

    def entry(
        self,
        body: bytes,
        *,
        strict: bool = False,
        languages: Sequence[str] = (),
        origin: Origin = Origin(),  # noqa: B008 - frozen
        note: bool = False,
        key: str = "",
    ) -> tuple[Entry, Decision]:
        """What is to be recorded, and the decision behind it. Raises RequestError.

        `key` is what the caller sent so that a retry is known.
        """
        now = self.clock()
        response, decision, language = self.decide(
            body, strict=strict, languages=languages, now=now, note=note
        )
        entry = Entry(
            request=body,
            response=response,
            request_sha256=digest(body),
            response_sha256=digest(response),
            as_of=decision.case.as_of,
            recorded=now,
            decision_id=decision.id,
            protocol=self.protocol.name,
            content_digest=self.protocol.digest,
            code_version=self.code_version,
            language=language,
            strict=strict,
            origin=origin,
            patient=decision.case.subject,
            outcome="" if note else decision.plan.status,  # a note has no GuidanceResponse
            classes=tuple(held.code for held in decision.assessment.classes),
            key=key,
        )
        return entry, decision


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
