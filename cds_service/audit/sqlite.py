"""The log in one SQLite file: WAL, synchronous=FULL, append-only, group-committed.

Several processes may use the file at once: a commit takes the write lock first and has
its positions proven under it, so they stay without a gap.
"""

import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractContextManager, suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar, cast

from cds_service.audit import sqlite_file, sqlite_layout
from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.finding import Verification
from cds_service.audit.growing import Growth, signed
from cds_service.audit.note import Signer
from cds_service.audit.record import ERASURE, Entry
from cds_service.audit.rows import Item, item_of, key_hash, moment
from cds_service.audit.screening import Screened, all_of, screened
from cds_service.audit.seal import Plain, Sealer
from cds_service.audit.sqlite_read import Reader, reading
from cds_service.audit.sqlite_take_over import Described, take_over, undescribed
from cds_service.audit.store import Logged, Query, Receipt
from cds_service.audit.tiles import TileReader
from cds_service.audit.tree import Frontier, consistency_path, inclusion_path
from cds_service.audit.verify_log import verify_log
from cds_service.audit.writer import GroupWriter, Outcome
from cds_service.errors import LogUnavailable

TRIAL_HOLDS = 1.0
"""Seconds for which a trial commit that succeeded speaks for the next ones."""
_CHUNK = 64
"""Entries that `scan` has in memory."""
_T = TypeVar("_T")


class SqliteStore:
    """`audit.store.Store` on one file; `path` is made, readable by its owner only.

    `signer` signs its checkpoints, `sealer` encrypts its payloads; `wait` is how many seconds to
    wait for another process that holds the file. `describe`, `clock` and `code_version` are for
    a log of before that is brought to the layout of now. Raises LogUnavailable when the file
    cannot be opened as a durable log.
    """

    def __init__(
        self,
        path: Path,
        signer: Signer,
        *,
        sealer: Sealer | None = None,
        wait: float = 5.0,
        describe: Callable[[bytes, bytes], Described] = undescribed,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        code_version: str = "",
    ) -> None:
        self._path = path
        self._signer = signer
        self._sealer = sealer or Plain()
        self._wait = wait
        self.commits = 0
        """Durable commits made so far by this process (each may hold many entries)."""
        self._connection: sqlite3.Connection | None = None
        self._tried = float("-inf")
        """When a trial commit last succeeded, by the monotonic clock."""
        self._erased = False
        """Whether the write-ahead file may still hold what was erased."""
        self._identity = sqlite_file.prepare(
            path,
            wait,
            lambda old: take_over(old, self._sealer, describe, clock(), code_version),
        )
        with self._reading() as log:
            self._growth = Growth.load(log, log.size())
            """The tree as this process last saw it; the next entry goes behind it."""
        self._writer = GroupWriter(self._commit, self._drop)

    async def append(self, entry: Entry) -> Receipt:
        """See `Store.append`."""
        # Only an erasure may come to nothing.
        return cast("Receipt", await self._writer.append(item_of(entry, self._sealer)))

    async def erase(self, index: int, erasure: Entry) -> Receipt | None:
        """See `Store.erase`. The write-ahead file is emptied too, as soon as nobody reads in it."""
        if erasure.kind != ERASURE or erasure.about != index:
            raise ValueError("an erasure says what it is about")
        if not 0 <= index <= sqlite_layout.LAST:
            return None
        return await self._writer.append(item_of(erasure, self._sealer, erases=index))

    async def ready(self) -> None:
        """See `Store.ready`: commits durably in the writing thread, beside the entries.

        Only a write shows that the disk is full or the file read-only. However often it is
        asked, it writes once in `TRIAL_HOLDS` seconds; a failure is never taken as known.
        """
        if time.monotonic() - self._tried >= TRIAL_HOLDS:
            await self._writer.append(None)

    async def close(self) -> None:
        """See `Store.close`."""
        self._tried = float("-inf")
        await self._writer.close()

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
        end = sqlite_layout.LAST if last is None else last
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

    def _reading(self) -> AbstractContextManager[Reader]:
        return reading(self._path, self._wait, self._sealer)

    async def _ask(self, question: Callable[[Reader], _T]) -> _T:
        # A connection per question: reading is rare, and a connection belongs to its thread.
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
            connection = self._opened()
            done = self._at_once(connection, items) or self._in_turn(connection, items)
        except BaseException:
            # Its state is unknown (the disk may be full, the file gone): begin again next time.
            self._drop()
            self._tried = float("-inf")
            raise
        self.commits += bool(done.items)
        if not items:
            self._tried = time.monotonic()
            return []
        self._empty_write_ahead(connection)
        return done.answered(signed(self._signer, self._growth.frontier))

    def _at_once(self, connection: sqlite3.Connection, items: Sequence[Item]) -> Screened | None:
        """Insert in one statement that commits by itself; None when it cannot be done so.

        Under load each further statement waits some milliseconds for its turn among the
        threads. The position is a guess that the table's trigger proves, or refuses whole,
        under the write lock; so is that no key is taken.
        """
        if not items or any(item.erases is not None for item in items):
            return None
        growth, tiles = self._growth.grown([item.hashed for item in items])
        try:
            sqlite_layout.insert(connection, items, tiles, self._growth.size)
        except sqlite3.IntegrityError:
            return None
        done = all_of(items, self._growth.size)
        self._growth = growth
        return done

    def _in_turn(self, connection: sqlite3.Connection, items: Sequence[Item]) -> Screened:
        """Take the write lock, see how long the log is, and insert there.

        Without items: write beside the log instead.
        """
        connection.execute("BEGIN IMMEDIATE")
        log = Reader(connection, self._sealer)
        growth = self._growth.caught_up(log, log.size())
        done = screened(items, growth.size, log.taken, lambda at: _erased(connection, at))
        after, tiles = growth.grown([item.hashed for item in done.items])
        if done.items:
            sqlite_layout.insert(connection, done.items, tiles, growth.size)
        if not items:
            sqlite_file.try_out(connection)
        connection.execute("COMMIT")
        self._growth = after
        self._erased |= any(item.erases is not None for item in done.items)
        return done

    def _empty_write_ahead(self, connection: sqlite3.Connection) -> None:
        """After an erasure: bring the pages back into the file, and cut the write-ahead file.

        Somebody who still reads there keeps it from being done; then it is tried again later.
        """
        if self._erased:
            with suppress(sqlite3.Error):  # what was to be recorded is durable all the same
                self._erased = not sqlite_file.empty_write_ahead(connection, self._wait)

    def _opened(self) -> sqlite3.Connection:
        if sqlite_file.identity(self._path) != self._identity:
            # What is written to a file that is no longer there would be lost without a word.
            raise LogUnavailable("the log's file was moved or replaced while in use: restart")
        if self._connection is None:
            self._connection = sqlite_file.connect(self._path, self._wait)
        return self._connection

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()


def _erased(connection: sqlite3.Connection, index: int) -> bool:
    """Remove the payload of an entry that may be erased; whether there was one."""
    query = (
        "DELETE FROM payload WHERE position = ?1"
        " AND (SELECT kind FROM entry WHERE position = ?1) <> ?2"
    )
    return connection.execute(query, (index, ERASURE)).rowcount > 0
