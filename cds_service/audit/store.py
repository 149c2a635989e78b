"""What any log has to offer; the service knows no more of it than this."""

from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.export import Passed
from cds_service.audit.finding import Verification
from cds_service.audit.leaf import Head, Payload
from cds_service.audit.outline import Outline
from cds_service.audit.record import Entry


@dataclass(frozen=True, slots=True)
class Receipt:
    """That an entry is durable: where it stands, and the signed checkpoint that covers it."""

    index: int
    checkpoint: str
    """C2SP tlog-checkpoint, a signed note."""


@dataclass(frozen=True, slots=True)
class Logged:
    """One entry as it stands in the log."""

    index: int
    leaf: bytes
    head: Head
    entry: Entry | None
    """None: its payload was erased."""
    payload: Payload | None = None
    """What was opened to get at the entry; with the salt, so that it can be shown to others."""


@dataclass(frozen=True, slots=True)
class Query:
    """What an auditor looks for; what is None or empty does not matter. Newest entries first."""

    tenant: str | None = None
    caller: str | None = None
    kinds: tuple[str, ...] = ()
    since: datetime | None = None
    """Recorded at this moment or later."""
    before: datetime | None = None
    """Recorded earlier than this."""
    patient: str | None = None
    decision_id: str | None = None
    outcomes: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    """Any of these classes holds."""
    protocol: str | None = None
    """`id|version`, or the id alone."""
    abouts: tuple[int, ...] = ()
    """About any of these entries."""
    reviews: tuple[str, ...] = ()
    """Fed back about with any of these outcomes."""
    positions: tuple[int, ...] = ()
    """One of these entries."""
    below: int | None = None
    """Only entries with a smaller index: where the page before ended."""
    limit: int = 50


class Log(Protocol):
    """A log to be looked at. The index of an entry is its position: 0, 1, 2 ... without a gap.

    Every call raises LogUnavailable when the log cannot be read.
    """

    async def get(self, index: int) -> Logged | None:
        """The entry at `index`, or None when the log is not that long."""
        ...

    async def by_key(self, tenant: str, caller: str, key: str) -> Logged | None:
        """The entry that was recorded with this key, if any."""
        ...

    async def find(self, query: Query) -> Sequence[Logged]:
        """The newest entries that match, at most `query.limit`."""
        ...

    async def outlines(self, query: Query) -> Sequence[Outline]:
        """What the columns say of the newest entries that match, at most `query.limit`."""
        ...

    async def outlines_from(self, first: int, limit: int) -> Sequence[Outline]:
        """What the columns say of the entries from `first` on, in order, at most `limit`."""
        ...

    async def count(self, query: Query = Query()) -> int:
        """How many entries match (`below` and `limit` do not matter)."""
        ...

    def scan(self, first: int = 0, last: int | None = None) -> AsyncIterator[Logged]:
        """Every entry from `first` to before `last`, in order, in little memory."""
        ...

    async def kept(self, before: datetime, limit: int = 1000) -> Sequence[int]:
        """The oldest recommendations and feedbacks recorded before then that are not erased yet."""
        ...

    async def checkpoint(self) -> str:
        """The signed checkpoint of the log as it is now.

        Of a log that is only looked at, without a key that signs: the one that the service kept
        last, "" when there is none. Its signature is not verified.
        """
        ...

    async def size(self) -> int:
        """How many entries the log holds, of every kind."""
        ...

    async def inclusion(self, index: int, size: int) -> tuple[bytes, ...]:
        """The inclusion path of an entry in the tree of that size; raises IndexError."""
        ...

    async def consistency(self, old: int, new: int) -> tuple[bytes, ...]:
        """The consistency path between trees of two sizes; raises IndexError."""
        ...

    async def passed(self, gaps: Sequence[tuple[int, int]], size: int) -> Sequence[Passed]:
        """The entries from first to before last of each gap, as few perfect parts of the tree.

        Raises IndexError when the log is shorter than `size`, or a gap goes beyond it.
        """
        ...

    async def root(self, size: int) -> bytes:
        """The root of the tree of that size; raises IndexError when the log is shorter."""
        ...

    async def verify(
        self,
        kept: Sequence[Checkpoint] = (),
        *,
        since: Checkpoint | None = None,
        payloads: bool = True,
        progress: Callable[[int, int], None] = ...,
    ) -> Verification:
        """Verify the log as it is now, see `verify_log.verify_log`.

        `progress` is called in another thread.
        """
        ...

    async def close(self) -> None:
        """Let go of the log. Harmless when repeated."""
        ...


class Store(Log, Protocol):
    """An append-only log.

    Every call raises LogUnavailable when the log cannot be written or read.
    """

    commits: int
    """Durable commits made so far by this process (each may hold many entries)."""

    async def append(self, entry: Entry) -> Receipt:
        """Record the entry durably, then return; only then may the answer leave.

        When LogUnavailable is raised it may be in the log or not: an entry without an answer
        does no harm, an answer without an entry would. Raises KeyTaken when an entry of the
        same tenant and caller has the same `key`; PayloadErased when it is feedback about an entry
        that was erased, also a moment ago.
        """
        ...

    async def erase(self, index: int, erasure: Entry, *, alone: bool = False) -> Receipt | None:
        """Destroy the payload at `index` and record `erasure`, both or neither.

        None when there is nothing to erase: no such entry, an erased one, or itself an erasure.
        Raises FedBack when there is feedback about it that is not erased, unless it goes `alone`.
        """
        ...

    @property
    def keys(self) -> tuple[str, ...]:
        """What its checkpoints are verified with, each as `name+id+base64` (C2SP signed-note)."""
        ...

    async def ready(self) -> None:
        """Return when an entry could be recorded now."""
        ...

    async def close(self) -> None:
        """Record what is still waiting, then let go of the log. Harmless when repeated."""
        ...
