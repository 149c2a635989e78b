"""The log in one SQLite file: WAL, synchronous=FULL, append-only, group-committed.

Several processes may use the file at once: a commit takes the write lock first (BEGIN
IMMEDIATE) and numbers its entries under it, so the positions stay without a gap.
"""

import asyncio
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from cds_service.audit import sqlite_file
from cds_service.audit.record import Entry
from cds_service.audit.writer import GroupWriter
from cds_service.errors import LogUnavailable


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
        self._identity = sqlite_file.prepare(path, wait)
        self._writer = GroupWriter(self._commit, self._drop)

    async def append(self, entry: Entry) -> int:
        """See `Store.append`."""
        return await self._writer.append(entry)

    async def ready(self) -> None:
        """See `Store.ready`: takes the write lock in the writing thread and lets it go."""
        await self._writer.append(None)

    async def close(self) -> None:
        """See `Store.close`."""
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
        """Record all the entries or none (writing thread only); the index of the first."""
        rows = [sqlite_file.row(entry) for entry in entries]
        try:
            connection = self._opened()
            connection.execute("BEGIN IMMEDIATE")
            (first,) = connection.execute(sqlite_file.NEXT).fetchone()
            if rows:
                connection.execute(sqlite_file.insert(len(rows)), sqlite_file.values(rows, first))
            connection.execute("COMMIT")
        except BaseException:
            # Its state is unknown (the disk may be full, the file gone): begin again next time.
            self._drop()
            raise
        self.commits += bool(rows)
        return int(first)

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
