"""What an entry leaves in the tree for ever, and what can be erased without touching it.

The leaf is one line of JSON; its bytes are what is hashed, so they are kept as they are. It names
no infant: what does is the payload, which the leaf only commits to. The commitment is salted: from
an erased payload nothing can be guessed, not even by trying every birth date.

    commitment = SHA-256(MARK + salt + SHA-256(request) + SHA-256(response) + SHA-256(rest))
"""

import os
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

import orjson

from cds_service.audit.record import Entry, Origin

MARK = b"cds-service payload 2\n"
"""Begins what is hashed, so that it is never taken for anything else."""
SALT = 32
"""Bytes of a salt."""
FORM = 2
"""Form of the leaf; a later form gets another number, and this one can be read for ever."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a leaf says. Times are those of the service's clock, with their offset."""

    kind: str
    recorded: datetime
    origin: Origin
    protocol: str
    content_digest: str
    code_version: str
    about: int | None
    commitment: str
    """SHA-256 in hex, see above."""


@dataclass(frozen=True, slots=True)
class Payload:
    """What is erased when an entry is erased."""

    salt: bytes
    request: bytes
    response: bytes
    rest: bytes
    """All else that the commitment covers, as JSON."""


def payload_of(entry: Entry, salt: bytes = b"") -> Payload:
    """The erasable part of an entry; with a fresh salt unless one is given."""
    rest = {
        "as-of": entry.as_of.isoformat(),
        "decision": entry.decision_id,
        "language": entry.language,
        "strict": entry.strict,
        "patient": entry.patient,
        "outcome": entry.outcome,
        "classes": entry.classes,
        "key": entry.key,
    }
    return Payload(salt or os.urandom(SALT), entry.request, entry.response, orjson.dumps(rest))


def leaf_of(entry: Entry, payload: Payload) -> bytes:
    """The leaf of an entry with this payload."""
    hashes = bytes.fromhex(entry.request_sha256), bytes.fromhex(entry.response_sha256)
    said = {
        "form": FORM,
        "kind": entry.kind,
        "recorded": entry.recorded.isoformat(),
        "tenant": entry.origin.tenant,
        "caller": entry.origin.caller,
        "protocol": entry.protocol,
        "content": entry.content_digest,
        "code": entry.code_version,
        "about": entry.about,
        "commitment": commitment(payload.salt, *hashes, sha256(payload.rest).digest()),
    }
    return orjson.dumps(said)


def commitment(salt: bytes, request: bytes, response: bytes, rest: bytes) -> str:
    """The commitment to three SHA-256 hashes, in hex."""
    return sha256(b"".join((MARK, salt, request, response, rest))).hexdigest()


def head_of(leaf: bytes) -> Head:
    """What a leaf says; raises ValueError when it is none of ours."""
    try:
        said = orjson.loads(leaf)
        if said["form"] != FORM:
            raise ValueError(f"a leaf of form {said['form']}")
        return Head(
            said["kind"],
            datetime.fromisoformat(said["recorded"]),
            Origin(said["tenant"], said["caller"]),
            said["protocol"],
            said["content"],
            said["code"],
            said["about"],
            said["commitment"],
        )
    except (KeyError, TypeError) as error:
        raise ValueError("not a leaf of this log") from error


def entry_of(leaf: bytes, payload: Payload) -> Entry:
    """The entry of a leaf and its payload; whether they belong together is `belongs`."""
    head, rest = head_of(leaf), rest_of(payload)
    return Entry(
        request=payload.request,
        response=payload.response,
        request_sha256=sha256(payload.request).hexdigest(),
        response_sha256=sha256(payload.response).hexdigest(),
        as_of=datetime.fromisoformat(rest["as-of"]),
        recorded=head.recorded,
        decision_id=rest["decision"],
        protocol=head.protocol,
        content_digest=head.content_digest,
        code_version=head.code_version,
        language=rest["language"],
        strict=rest["strict"],
        origin=head.origin,
        kind=head.kind,
        about=head.about,
        patient=rest["patient"],
        outcome=rest["outcome"],
        classes=tuple(rest["classes"]),
        key=rest["key"],
    )


def belongs(leaf: bytes, payload: Payload) -> bool:
    """Whether the leaf commits to exactly this payload; raises ValueError for a leaf of others."""
    return commits(head_of(leaf), payload)


def commits(head: Head, payload: Payload) -> bool:
    """Whether the leaf with this head commits to exactly this payload."""
    hashes = (sha256(part).digest() for part in (payload.request, payload.response, payload.rest))
    return head.commitment == commitment(payload.salt, *hashes)


def rest_of(payload: Payload) -> dict[str, Any]:
    """What `payload.rest` says; raises ValueError when it is no JSON."""
    rest: dict[str, Any] = orjson.loads(payload.rest)
    return rest
