"""What became of a recommendation, as an entry of its own beside that which it is about."""

from datetime import datetime

from cds_service.audit.record import FEEDBACK, Entry, digest
from cds_service.audit.store import Logged
from cds_service.content.catalogue import ENGLISH
from cds_service.errors import PayloadErased, Problem, UnusableRequest
from cds_service.fhir.read_feedback import Feedback, actions
from cds_service.fhir.write_audit import write_feedback


def meant(said: Feedback, logged: Logged) -> Entry:
    """The entry that a feedback is about.

    Raises PayloadErased, and UnusableRequest when it has no such part as the feedback names.
    """
    if logged.entry is None:
        raise PayloadErased(logged.index)
    if said.action and said.action not in actions(logged.entry.response):
        raise UnusableRequest(_NO_SUCH_ACTION)
    return logged.entry


def feedback_entry(body: bytes, said: Feedback, its: Entry, about: int, now: datetime) -> Entry:
    """What is recorded: `its` is the entry at index `about`."""
    response = write_feedback(said, about, its.decision_id, now)
    return Entry(
        request=body,
        response=response,
        request_sha256=digest(body),
        response_sha256=digest(response),
        as_of=now,
        recorded=now,
        decision_id=its.decision_id,
        protocol=its.protocol,
        content_digest=its.content_digest,
        code_version=its.code_version,
        language=ENGLISH,
        strict=False,
        kind=FEEDBACK,
        about=about,
        patient=its.patient,
        outcome=said.outcome,
        classes=its.classes,
    )


_NO_SUCH_ACTION = Problem(
    "not-found",
    "The answer has no part with the address that `action` names.",
    "Send the fullUrl of an entry of the recorded answer, or leave `action` out.",
    "Parameters.parameter",
)
