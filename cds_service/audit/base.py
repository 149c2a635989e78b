"""What every store does alike: it writes in a thread of its own, signs, answers and proves.

A store adds how it reads at one moment, and how it makes a batch durable.
"""

import asyncio
import time
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TypeVar, cast

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.finding import Verification
from cds_service.audit.growing import Growth, signed
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.reader import LAST, Reader
from cds_service.audit.record import ERASURE, Entry
from cds_service.audit.rows import Item, item_of, key_hash, moment
from cds_service.audit.screening import Screened
from cds_service.audit.seal import Sealer
from cds_service.audit.store import Logged, Query, Receipt
from cds_service.audit.tiles import TileReader
from cds_service.audit.tree import Frontier, consistency_path, inclusion_path
from cds_service.audit.verify_log import verify_log
from cds_service.audit.witness import Witness
from cds_service.audit.writer import GroupWriter, Outcome
from cds_service.errors import LogDamaged, LogUnavailable

TRIAL_HOLDS = 1.0
"""Seconds for which a trial commit that succeeded speaks for the next ones."""
_CHUNK = 64
"""Entries that `scan` has in memory."""
_T = TypeVar("_T")


class BaseStore(ABC):
    """Whatever of `audit.store.Store` does not depend on the database.

    `signer` signs the checkpoints, `sealer` encrypts the payloads, `witness` is the file that keeps
    the last checkpoint. Begin with `_begin`, when the log is there.
    """

    def __init__(self, signer: Signer, sealer: Sealer, witness: Path | None = None) -> None:
        self._signer = signer
        self._sealer = sealer
        self._witness = Witness(witness)
        self.commits = 0
        """Durable commits made so far by this process (each may hold many entries)."""
        self._tried = float("-inf")
        """When a trial commit last succeeded, by the monotonic clock."""
        self._growth = Growth()
        """The tree as this process last saw it; the next entry goes behind it."""

    def _begin(self) -> None:
        """Read how far the log has grown and start the writing thread.

        Raises LogUnavailable; when the tree cannot be read it is LogDamaged and says where.
        """
        # Read before the log is: another process may add to it, and sign for it, at any moment.
        kept = self._witness.kept(Verifier(self._signer.verifier_keys))
        with self._reading() as log:
            self._check_payload_keys(log.wrapped_keys())
            self._growth = self._grown(log, kept)
        if kept is not None:
            note = signed(self._signer, self._growth.frontier)
            self._witness.renew(note, self._signer.verifier_keys)
        self._writer = GroupWriter(self._commit, self._drop)

    def _check_payload_keys(self, wrapped: Sequence[bytes]) -> None:
        """Raise LogUnavailable when the key of the payloads is not given.

        Else what is recorded now would not be encrypted, and what was would look altered.
        """
        if wrapped and not any(map(self._sealer.knows, wrapped)):
            raise LogUnavailable(
                "the payloads of the log are encrypted under a key that is not given: "
                "set CDS_PAYLOAD_KEY_FILE as it was"
            )

    def _grown(self, log: Reader, kept: Checkpoint | None) -> Growth:
        """How far the log has grown; what was signed before must be the beginning of it."""
        size = log.size()
        tiles = TileReader(size, log)
        try:
            growth = Growth.load(log, size)
            if kept is not None:
                self._witness.check(kept, size, lambda at: Frontier.load(at, tiles.subtree).root())
        except LogUnavailable as error:
            finding = verify_log(log, self._sealer, [kept] if kept else []).finding
            if finding is None:
                raise
            raise LogDamaged(finding.position, f"{finding.what} ({error})") from error
        return growth

    @abstractmethod
    def _reading(self) -> AbstractContextManager[Reader]:
        """A reader that sees the log as it is at one moment; raises LogUnavailable."""

    @abstractmethod
    def _record(self, items: Sequence[Item]) -> Screened:
        """Make the items durable in one commit and keep the new growth (writing thread only).

        Without items it is a trial: something is written durably beside the log.
        """

    @abstractmethod
    def _drop(self) -> None:
        """Let go of the connection that writes (writing thread only)."""

    async def append(self, entry: Entry) -> Receipt:
        """See `Store.append`."""
        # Only an erasure may come to nothing.
        return cast("Receipt", await self._writer.append(item_of(entry, self._sealer)))

    async def erase(self, index: int, erasure: Entry) -> Receipt | None:
        """See `Store.erase`."""
        if erasure.kind != ERASURE or erasure.about != index:
            raise ValueError("an erasure says what it is about")
        if not 0 <= index <= LAST:
            return None
        return await self._writer.append(item_of(erasure, self._sealer, erases=index))

    async def ready(self) -> None:
        """See `Store.ready`: commits durably in the writing thread, beside the entries.

        Only a write shows that the disk is full or the log read-only. However often it is
        asked, it writes once in `TRIAL_HOLDS` seconds; a failure is never taken as known.
        """
        if time.monotonic() - self._tried >= TRIAL_HOLDS:
            await self._writer.append(None)

    async def close(self) -> None:
        """See `Store.close`."""
        self._tried = float("-inf")
        await self._writer.close()
        self._witness.keep("", now=True)

    async def get(self, index: int) -> Logged | None:
        """See `Store.get`."""
        return await self._ask(lambda log: log.get(index))

    async def by_key(self, tenant: str, caller: str, key: str) -> Logged | None:
        """See `Store.by_key`."""
        hashed = key_hash(tenant, caller, key)
        return None if hashed is None else await self._ask(lambda log: log.by_key(hashed))

    async def find(self, query: Query) -> Sequence[Logged]:
        """See `Store.find`."""
        return await self._ask(lambda log: log.find(query))

    async def count(self, query: Query = Query()) -> int:  # noqa: B008 - frozen
        """See `Store.count`."""
        return await self._ask(lambda log: log.count(query))

    async def scan(self, first: int = 0, last: int | None = None) -> AsyncIterator[Logged]:
        """See `Store.scan`."""
        end = LAST if last is None else last
        while part := await self._ask(partial(Reader.between, first=first, last=end, limit=_CHUNK)):
            for logged in part:
                yield logged
            first = part[-1].index + 1

    async def kept(self, before: datetime, limit: int = 1000) -> Sequence[int]:
        """See `Store.kept`."""
        return await self._ask(lambda log: log.kept_since(moment(before), limit))

    @property
    def keys(self) -> tuple[str, ...]:
        """See `Store.keys`."""
        return tuple(map(str, self._signer.verifier_keys))

    async def checkpoint(self) -> str:
        """See `Store.checkpoint`."""

        def sign(log: Reader) -> str:
            return signed(self._signer, self._growth.caught_up(log, log.size()).frontier)

        return await self._ask(sign)

    async def size(self) -> int:
        """See `Store.size`."""
        return await self._ask(lambda log: log.size())

    async def inclusion(self, index: int, size: int) -> tuple[bytes, ...]:
        """See `Store.inclusion`."""
        return await self._prove(size, lambda tiles: inclusion_path(index, size, tiles.subtree))

    async def consistency(self, old: int, new: int) -> tuple[bytes, ...]:
        """See `Store.consistency`."""
        return await self._prove(new, lambda tiles: consistency_path(old, new, tiles.subtree))

    async def root(self, size: int) -> bytes:
        """See `Store.root`."""
        return await self._prove(size, lambda tiles: Frontier.load(size, tiles.subtree).root())

    async def verify(
        self,
        kept: Sequence[Checkpoint] = (),
        *,
        since: Checkpoint | None = None,
        payloads: bool = True,
        progress: Callable[[int, int], None] = lambda done, size: None,  # noqa: ARG005
    ) -> Verification:
        """See `Store.verify`."""
        return await self._ask(
            lambda log: verify_log(
                log, self._sealer, kept, since=since, payloads=payloads, progress=progress
            )
        )

    async def _ask(self, question: Callable[[Reader], _T]) -> _T:
        def answer() -> _T:
            with self._reading() as log:
                return question(log)

        return await asyncio.to_thread(answer)

    async def _prove(self, size: int, proof: Callable[[TileReader], _T]) -> _T:
        def within(log: Reader) -> _T:
            if not 0 <= size <= log.size():
                raise IndexError(f"the log has no {size} entries")
            try:
                return proof(TileReader(size, log))
            except ValueError as error:
                raise IndexError(*error.args) from error

        return await self._ask(within)

    def _commit(self, items: Sequence[Item]) -> Sequence[Outcome]:
        """Record the items (writing thread only), then sign; without items it is a trial."""
        try:
            done = self._record(items)
        except BaseException:
            # Its state is unknown (the disk may be full, the log gone): begin again next time.
            self._drop()
            self._tried = float("-inf")
            raise
        self.commits += bool(done.items)
        if not items:
            self._tried = time.monotonic()
            return []
        note = signed(self._signer, self._growth.frontier)
        self._witness.keep(note)
        return done.answered(note)
