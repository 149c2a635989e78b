"""A retry gets the answer that is in the log, and makes no second entry.

draft-ietf-httpapi-idempotency-key-header-07 gives the rules: the same key with the same request
is answered as before, with another request it is refused. The fingerprint is the request itself,
which the entry holds. A key belongs to its tenant and caller and never expires: the log keeps a
hash of it for ever. A request that was refused left no entry, and its key is free.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass

from cds_service.audit.leaf import belongs
from cds_service.audit.record import Entry, Origin
from cds_service.audit.store import Logged, Receipt, Store
from cds_service.errors import KeyTaken, LogUnavailable, PayloadErased, Problem, UnusableRequest

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry that is durable; `again`: it was before this request came."""

    entry: Entry
    receipt: Receipt
    again: bool = False


class Retries:
    """Records each request of a key once, in all processes that write to the store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._running: dict[tuple[str, str, str], asyncio.Event] = {}
        """What this process works on now; to be waited for."""

    async def once(
        self, key: str, origin: Origin, make: Callable[[], Entry], same: Callable[[Entry], bool]
    ) -> Kept:
        """Record what `make` gives, or find what was recorded with this key before.

        `same` says whether an entry answers this very request. Of two requests at one moment the
        second waits for the first; of two in different processes the store refuses one.
        Raises UnusableRequest when the key belongs to another request, PayloadErased when what
        it belongs to was erased, LogUnavailable (also: it was altered), and what `make` raises.
        """
        if not key:
            entry = make()
            return Kept(entry, await self._store.append(entry))
        mine = (origin.tenant, origin.caller, key)
        while (other := self._running.get(mine)) is not None:
            await other.wait()
        done = self._running[mine] = asyncio.Event()
        try:
            return await self._found_or_made(mine, make, same)
        finally:
            del self._running[mine]
            done.set()

    async def _found_or_made(
        self, mine: tuple[str, str, str], make: Callable[[], Entry], same: Callable[[Entry], bool]
    ) -> Kept:
        known = await self._store.by_key(*mine)
        if known is None:
            entry = make()
            try:
                return Kept(entry, await self._store.append(entry))
            except KeyTaken as taken:  # another process was faster
                known = await self._store.get(taken.index)
        return await self._before(known, same)

    async def _before(self, known: Logged | None, same: Callable[[Entry], bool]) -> Kept:
        if known is None:
            raise LogUnavailable("the entry that a key belongs to cannot be read")
        if known.entry is None:
            raise PayloadErased(known.index)
        if known.payload is None or not belongs(known.leaf, known.payload):
            # A dose that somebody changed in the database must never reach an infant.
            altered = f"entry {known.index} of the log was altered: verify the log"
            _log.error("audit log: %s", altered)
            raise LogUnavailable(altered)
        if not same(known.entry):
            raise UnusableRequest(_REUSED)
        receipt = Receipt(known.index, await self._store.checkpoint())
        return Kept(known.entry, receipt, again=True)


_REUSED = Problem(
    "conflict",
    "This Idempotency-Key (in CDS Hooks: hookInstance) was sent before with another request.",
    "Send a new key with each new request, and the old one only with the very same request.",
)
