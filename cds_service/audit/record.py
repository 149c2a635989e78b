"""One record of the log: the exact bytes in and out, and everything needed to replay them."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256

_PIECE = 2047
"""Bytes: what hashlib takes without a hand-over between threads, which costs more than it gains."""

RECOMMENDATION = "recommendation"
FEEDBACK = "feedback"
"""What was done with a recommendation: accepted, or overridden and why."""
ERASURE = "erasure"
"""That the payload of an entry was erased, and why."""
TAKEN_OVER = "taken-over"
"""That a log of before had no tree, and all entries above this one were put into it now."""
RENDERING = "rendering"
"""That a label or leaflet of a recommendation was printed, and the hash of it."""
READING = "reading"
"""That an auditor read something of the log, and who."""
KINDS = (RECOMMENDATION, FEEDBACK, ERASURE, TAKEN_OVER, RENDERING, READING)
BESIDE = (FEEDBACK, RENDERING)
"""Kinds that name the infant of the entry that they are about: they are erased before it."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Who asked: `tenant` is the organisation, `caller` the client of it ("" while not known).

    >>> Origin()
    Origin(tenant='', caller='')
    """

    tenant: str = ""
    caller: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One recommendation, as it was asked for and as it was answered; or what came of one.

    `request` and `response` are the exact bytes on the wire, never re-serialised: trailing
    zeros and key order count. The hashes are SHA-256 (FIPS 180-4) in lower-case hex.
    """

    request: bytes
    response: bytes
    request_sha256: str
    response_sha256: str
    as_of: datetime
    """The moment the decision was made for."""
    recorded: datetime
    """The service's clock when the entry was made."""
    decision_id: str
    """UUID of the decision; asked again it is the same, so several entries may share it."""
    protocol: str
    """`id|version` of the protocol that decided."""
    content_digest: str
    """SHA-256 over the protocol's files, in hex."""
    code_version: str
    language: str
    """BCP-47 tag of the texts in the response."""
    strict: bool
    """Whether the caller asked for `Prefer: handling=strict`."""
    origin: Origin = Origin()
    kind: str = RECOMMENDATION
    """One of KINDS."""
    about: int | None = None
    """Index of the entry that a feedback, an erasure, a rendering or a reading is about."""
    patient: str = ""
    """The infant as the caller names it ("Patient/7"); "" when it does not."""
    outcome: str = ""
    """GuidanceResponse.status ("" of a referral note); of a feedback "accepted" or "overridden"."""
    classes: tuple[str, ...] = ()
    """Codes of the classes that hold."""
    key: str = ""
    """What the caller sent so that a retry is known (Idempotency-Key); "" when nothing."""

    @property
    def intact(self) -> bool:
        """Whether both payloads still match their hashes."""
        return digest(self.request) == self.request_sha256 and (
            digest(self.response) == self.response_sha256
        )


def told(
    kind: str,
    request: bytes,
    now: datetime,
    code_version: str,
    *,
    origin: Origin = Origin(),
    about: int | None = None,
) -> Entry:
    """What the log says of itself: `request` is what is said, and nothing was decided."""
    return Entry(
        request=request,
        response=b"",
        request_sha256=digest(request),
        response_sha256=digest(b""),
        as_of=now,
        recorded=now,
        decision_id="",
        protocol="",
        content_digest="",
        code_version=code_version,
        language="",
        strict=False,
        origin=origin,
        kind=kind,
        about=about,
    )


def digest(payload: bytes) -> str:
    """SHA-256 of `payload` in lower-case hex.

    The well-known value for no bytes at all (FIPS 180-4 test vector):

    >>> digest(b"")
    'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855'
    """
    total, view = sha256(), memoryview(payload)
    for start in range(0, len(payload), _PIECE):
        total.update(view[start : start + _PIECE])
    return total.hexdigest()
