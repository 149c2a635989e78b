"""What all operations that record something read and write alike."""

import base64
from collections.abc import Sequence

from starlette.types import Receive

from cds_service.service import Answer
from cds_service.web import negotiate, problems


class Gone(Exception):
    """The caller hung up; there is nobody to answer."""


async def whole_body(receive: Receive, declared: str, limit: int) -> bytes:
    """The whole body; raises Refused (413) as soon as it is known to be too large, or Gone.

    `declared` is the Content-Length, "" when there is none.
    """
    if declared.isdecimal() and int(declared) > limit:
        raise problems.too_large(limit)
    chunks, size, more = [], 0, True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Gone
        chunks.append(message.get("body", b""))
        size += len(chunks[-1])
        if size > limit:
            raise problems.too_large(limit)
        more = message.get("more_body", False)
    return b"".join(chunks)


def check_readable(content_type: str, coding: str) -> None:
    """Raise Refused (415) unless the body is declared as what we read."""
    if not content_type.strip():
        raise problems.unsupported_media("The request has no Content-Type.")
    if coding not in ("", "identity"):
        raise problems.unsupported_media("A compressed body (Content-Encoding) cannot be read.")
    if not negotiate.is_json(content_type):
        raise problems.unsupported_media("Only JSON in UTF-8 can be read.")
    if not negotiate.is_our_version(content_type):
        raise problems.unsupported_media("Only FHIR R4 (fhirVersion=4.0) can be read.")


def wanted_key(headers: Sequence[str]) -> str:
    """The Idempotency-Key, "" when there is no such header; raises Refused (400) for another.

    Somebody who sends an empty one believes that his retry is known, and it is not.
    """
    if not headers:
        return ""
    key = negotiate.idempotency_key(", ".join(headers))
    if not key:
        raise problems.wrong_key()
    return key


def recorded(answer: Answer) -> dict[str, str]:
    """Headers that say where an answer stands in the log.

    The caller keeps the checkpoint: so he is a witness outside that no later log can deny. A
    signed note has line breaks, which no header may have: base64 (RFC 4648 section 4).
    """
    headers = {
        "cds-log-index": str(answer.index),
        "cds-log-checkpoint": base64.b64encode(answer.checkpoint.encode()).decode(),
    }
    if answer.again:
        headers["idempotency-replayed"] = "true"
    return headers
