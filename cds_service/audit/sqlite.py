"""The log in one SQLite file: WAL, synchronous=FULL, append-only, group-committed.

Several processes may use the file at once: a commit takes the write lock first and has
its positions proven under it, so they stay without a gap.
"""

import asyncio
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from cds_service.audit import sqlite_file
from cds_service.audit.record import Entry
from cds_service.audit.writer import GroupWriter
from cds_service.errors import LogUnavailable

TRIAL_HOLDS = 1.0
"""Seconds for which a trial commit that succeeded speaks for the next ones."""


class SqliteStore:
    """`audit.store.Store` on one file; `path` is made, readable by its owner only.

    `wait` is how many seconds to wait for another process that holds the file. Raises
    LogUnavailable when the file cannot be opened as a durable log.
    """

    def __init__(self, path: Path, *, wait: float = 5.0) -> None:
        self._path = path
        self._wait = wait
        self.commits = 0
        """Durable commits made so far by this process (each may hold many entries)."""
        self._connection: sqlite3.Connection | None = None
        self._next = 0
        """Where the next entry goes unless another process has written."""
        self._tried = float("-inf")
        """When a trial commit last succeeded, by the monotonic clock."""
        self._identity = sqlite_file.prepare(path, wait)
        self._writer = GroupWriter(self._commit, self._drop)

    async def append(self, entry: Entry) -> int:
        """See `Store.append`."""
        return await self._writer.append(entry)

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

    async def get(self, index: int) -> Entry | None:
        """See `Store.get`."""
        if not 0 <= index <= sqlite_file.LAST:
            return None
        found = await self._read(f"{sqlite_file.SELECT} WHERE position = ?", index)
        return found[0][1] if found else None

    async def by_decision(self, decision_id: str) -> tuple[tuple[int, Entry], ...]:
        """See `Store.by_decision`."""
        where = f"{sqlite_file.SELECT} WHERE decision_id = ? ORDER BY position"
        return tuple(await self._read(where, decision_id))

    async def count(self) -> int:
        """See `Store.count`."""
        rows = await asyncio.to_thread(self._rows, "SELECT COUNT(*) FROM entry", ())
        return int(rows[0][0])

    async def _read(self, query: str, *values: Any) -> list[tuple[int, Entry]]:
        rows = await asyncio.to_thread(self._rows, query, values)
        return [(row[0], sqlite_file.to_entry(row)) for row in rows]

    def _rows(self, query: str, values: tuple[Any, ...]) -> list[Any]:
        # A connection per question: reading is rare, and a connection belongs to its thread.
        try:
            with closing(sqlite_file.connect(self._path, self._wait)) as connection:
                return connection.execute(query, values).fetchall()
        except (sqlite3.Error, OSError) as error:
            raise LogUnavailable(f"the audit log cannot be read: {error}") from error

    def _commit(self, entries: Sequence[Entry]) -> int:
        """Record all the entries or none (writing thread only); the index of the first.

        Without entries it is a trial.
        """
        rows = [sqlite_file.row(entry) for entry in entries]
        try:
            connection = self._opened()
            first = self._at_once(connection, rows) if rows else None
            if first is None:
                first = _numbered_anew(connection, rows)
        except BaseException:
            # Its state is unknown (the disk may be full, the file gone): begin again next time.
            self._drop()
            self._tried = float("-inf")
            raise
        self.commits += bool(rows)
        if not rows:
            self._tried = time.monotonic()
        self._next = first + len(rows)
        return first

    def _at_once(self, connection: sqlite3.Connection, rows: list[tuple[Any, ...]]) -> int | None:
        """Insert in one statement that commits by itself; None when the position is not ours.

        Under load each further statement waits some milliseconds for its turn among the
        threads. The position is a guess that the table's trigger proves, or refuses whole,
        under the write lock.
        """
        try:
            connection.execute(sqlite_file.insert(len(rows)), sqlite_file.values(rows, self._next))
        except sqlite3.IntegrityError:
            return None
        return self._next

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


def _numbered_anew(connection: sqlite3.Connection, rows: list[tuple[Any, ...]]) -> int:
    """Take the write lock, see how long the log is, and insert there.

    Without rows: write beside the log instead.
    """
    connection.execute("BEGIN IMMEDIATE")
    (first,) = connection.execute(sqlite_file.NEXT).fetchone()
    if rows:
        connection.execute(sqlite_file.insert(len(rows)), sqlite_file.values(rows, first))
    else:
        sqlite_file.try_out(connection)
    connection.execute("COMMIT")
    return int(first)
