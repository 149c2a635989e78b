"""What any log has to offer; the service knows no more of it than this."""

from typing import Protocol

from cds_service.audit.record import Entry


class Store(Protocol):
    """An append-only log. The index of an entry is its position: 0, 1, 2 ... without a gap."""

    async def append(self, entry: Entry) -> int:
        """Record the entry durably, then return its index; only then may the answer leave.

        Raises LogUnavailable when it could not be recorded. (It may then be in the log or not:
        an entry without an answer does no harm, an answer without an entry would.)
        """
        ...

    async def get(self, index: int) -> Entry | None:
        """The entry at `index`, or None when the log is not that long.

        Raises LogUnavailable when the log cannot be read.
        """
        ...

    async def by_decision(self, decision_id: str) -> tuple[tuple[int, Entry], ...]:
        """Every entry of one decision with its index, oldest first; as `get` otherwise."""
        ...

    async def count(self) -> int:
        """How many entries the log holds; as `get` otherwise."""
        ...

    async def ready(self) -> None:
        """Return when an entry could be recorded now; raises LogUnavailable otherwise."""
        ...

    async def close(self) -> None:
        """Record what is still waiting, then let go of the log. Harmless when repeated."""
        ...
