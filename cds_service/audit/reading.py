"""What every log lets be read and proved; nothing here writes or signs."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from functools import partial
from typing import TypeVar

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.export import Passed, parts
from cds_service.audit.finding import Verification
from cds_service.audit.growing import Growth
from cds_service.audit.outline import Outline
from cds_service.audit.reader import LAST, Reader
from cds_service.audit.rows import key_hash, moment
from cds_service.audit.seal import Sealer
from cds_service.audit.store import Logged, Query
from cds_service.audit.tiles import TileReader
from cds_service.audit.tree import Frontier, consistency_path, inclusion_path
from cds_service.audit.verify_log import verify_log
from cds_service.audit.witness import Witness
from cds_service.errors import LogDamaged, LogUnavailable

_CHUNK = 64
"""Entries that `scan` has in memory."""
_T = TypeVar("_T")


class Reading(ABC):
    """The part of `audit.store.Log` that is the same whoever asks.

    `sealer` opens the payloads, `witness` keeps the last checkpoint.
    """

    def __init__(self, sealer: Sealer, witness: Witness) -> None:
        self._sealer = sealer
        self._witness = witness

    @abstractmethod
    def _reading(self) -> AbstractContextManager[Reader]:
        """A reader that sees the log as it is at one moment; raises LogUnavailable."""

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

    async def outlines(self, query: Query) -> Sequence[Outline]:
        """See `Store.outlines`."""
        return await self._ask(lambda log: log.outlines(query))

    async def outlines_from(self, first: int, limit: int) -> Sequence[Outline]:
        """See `Store.outlines_from`."""
        return await self._ask(lambda log: log.outlines_from(first, limit))

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

    async def size(self) -> int:
        """See `Store.size`."""
        return await self._ask(lambda log: log.size())

    async def inclusion(self, index: int, size: int) -> tuple[bytes, ...]:
        """See `Store.inclusion`."""
        return await self._prove(size, lambda tiles: inclusion_path(index, size, tiles.subtree))

    async def consistency(self, old: int, new: int) -> tuple[bytes, ...]:
        """See `Store.consistency`."""
        return await self._prove(new, lambda tiles: consistency_path(old, new, tiles.subtree))

    async def passed(self, gaps: Sequence[tuple[int, int]], size: int) -> Sequence[Passed]:
        """See `Store.passed`."""
        return await self._prove(size, lambda tiles: parts(gaps, tiles.subtree))

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
