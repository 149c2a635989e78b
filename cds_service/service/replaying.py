"""Recorded recommendations asked again: on the content of then, or on another one."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from hashlib import sha256

from cds_service.audit.export import Piece
from cds_service.audit.leaf import commitment, entry_of, head_of
from cds_service.audit.record import RECOMMENDATION, Entry
from cds_service.content.library import Library
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError, RequestError
from cds_service.fhir.changes import Change, Kind, card_changes, changes, class_move, refused
from cds_service.fhir.gist import gist
from cds_service.fhir.places import places
from cds_service.service import answered, replay
from cds_service.service.hooks import is_hook

REMEMBERED = 4096
"""Outcomes kept, so that a request that was sent again is decided once."""


class Verdict(Enum):
    """What came of one entry."""

    EQUAL = "the same, byte for byte"
    SAME_CARE = "other bytes, the same care"
    CHANGED = "another recommendation"
    CANNOT = "cannot be replayed"
    ERASED = "erased"
    OTHER = "no recommendation"
    """Feedback, an erasure, and the like: there is nothing to replay."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one entry, and what differs; names nobody but by the entry's index."""

    index: int
    verdict: Verdict
    changes: tuple[Change, ...] = ()
    """The worst first."""
    move: str = ""
    """From which classes to which."""
    why: str = ""
    """Why it cannot be replayed, or where the bytes differ."""

    @property
    def worst(self) -> Kind | None:
        """The worst kind of change."""
        return self.changes[0].kind if self.changes else None


class Replayer:
    """Replays entries, each with the content of `library` that it was recorded with.

    `against`: with this content instead. `base` is the canonical base.
    """

    def __init__(self, library: Library, *, base: str, against: Protocol | None = None) -> None:
        self._library = library
        self._base = base
        self._against = against
        self._known: dict[object, Outcome] = {}

    def outcome(self, piece: Piece) -> Outcome:
        """What comes of one entry as it stands in the log; an altered one cannot be replayed."""
        try:
            head = head_of(piece.leaf)
            if head.kind != RECOMMENDATION:
                return Outcome(piece.index, Verdict.OTHER)
            if piece.payload is None:
                return Outcome(piece.index, Verdict.ERASED)
            entry = entry_of(piece.leaf, piece.payload)
            hashes = bytes.fromhex(entry.request_sha256), bytes.fromhex(entry.response_sha256)
            rest = sha256(piece.payload.rest).digest()
            if commitment(piece.payload.salt, *hashes, rest) != head.commitment:
                return _cannot(
                    "it was altered: its payload is not the one that was recorded", piece.index
                )
        except (ValueError, KeyError, TypeError):
            return _cannot("it was altered and cannot be read", piece.index)
        return self.replayed(piece.index, entry)

    def replayed(self, index: int, entry: Entry) -> Outcome:
        """What comes of the recommendation at `index`."""
        # When a request does not say for when it is, the answer depends on when it came.
        now = entry.recorded if entry.as_of == entry.recorded else None
        key = (entry.request_sha256, entry.response_sha256, entry.protocol, entry.content_digest)
        key = (*key, entry.language, entry.strict, now)  # type: ignore[assignment]
        if (known := self._known.get(key)) is not None:
            return replace(known, index=index)
        if len(self._known) >= REMEMBERED:
            del self._known[next(iter(self._known))]
        outcome = self._known[key] = self._asked_again(index, entry)
        return outcome

    def _asked_again(self, index: int, entry: Entry) -> Outcome:
        against = self._against
        ask: Callable[[], bytes] = (
            (lambda: replay(entry, self._library, base=self._base))
            if against is None
            else (lambda: answered(entry, against, base=self._base))
        )
        try:
            answer = ask()
        except ContentError as error:
            return _cannot("; ".join(error.findings), index)
        except RequestError as error:
            reason = "; ".join(problem.what for problem in error.problems)
            return Outcome(index, Verdict.CHANGED, refused(reason))
        if answer == entry.response:
            return Outcome(index, Verdict.EQUAL)
        if is_hook(entry):
            found = card_changes(entry.response, answer)
            return Outcome(index, Verdict.CHANGED if found else Verdict.SAME_CARE, found)
        try:
            old, new = gist(entry.response), gist(answer)
        except ValueError:
            return _cannot("the recorded answer is none of this service", index)
        if found := changes(old, new):
            return Outcome(index, Verdict.CHANGED, found, class_move(old, new))
        # Another content is told by another id in every resource.
        where = places(entry.response, answer) if against is None else ()
        told = f"differs at {', '.join(where)}" if where else "differs in spelling only"
        return Outcome(index, Verdict.SAME_CARE, why="" if against else told)


def _cannot(why: str, index: int) -> Outcome:
    return Outcome(index, Verdict.CANNOT, why=why)
