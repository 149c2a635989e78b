"""The log in one SQLite file: WAL, synchronous=FULL, append-only, group-committed.

Several processes may use the file at once: a commit takes the write lock first and has
its positions proven under it, so they stay without a gap.
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from cds_service.audit import sqlite_file, sqlite_layout
from cds_service.audit.base import BaseStore
from cds_service.audit.note import Signer
from cds_service.audit.reader import Reader
from cds_service.audit.record import ERASURE
from cds_service.audit.rows import Item
from cds_service.audit.screening import Screened, all_of, screened
from cds_service.audit.seal import Plain, Sealer
from cds_service.audit.sqlite_take_over import Described, take_over, undescribed
from cds_service.audit.witness import in_file
from cds_service.errors import LogUnavailable


class SqliteStore(BaseStore):
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
        super().__init__(signer, sealer or Plain(), in_file(checkpoint_of(path)))
        self._path = path
        self._wait = wait
        self._connection: sqlite3.Connection | None = None
        self._erased = False
        """Whether the write-ahead file may still hold what was erased."""
        self._identity = sqlite_file.prepare(
            path,
            wait,
            lambda old: take_over(old, self._sealer, describe, clock(), code_version),
        )
        self._begin()

    @contextmanager
    def _reading(self) -> Iterator[Reader]:
        # A connection per question: reading is rare, and a connection belongs to its thread.
        try:
            with closing(sqlite_file.connect(self._path, self._wait)) as connection:
                connection.execute("BEGIN")
                yield reader_of(connection, self._sealer)
        except (sqlite3.Error, OSError) as error:
            raise LogUnavailable(f"the audit log cannot be read: {error}") from error

    def _record(self, items: Sequence[Item]) -> Screened:
        """See `BaseStore`. What was erased is removed from the write-ahead file as well."""
        try:
            connection = self._opened()
            done = self._at_once(connection, items) or self._in_turn(connection, items)
        except sqlite3.Error as error:
            raise LogUnavailable(f"the audit log cannot be written: {error}") from error
        self._empty_write_ahead(connection)
        return done

    def _at_once(self, connection: sqlite3.Connection, items: Sequence[Item]) -> Screened | None:
        """Insert in one statement that commits by itself; None when it cannot be done so.

        Under load each further statement waits some milliseconds for its turn among the
        threads. The position is a guess that the table's trigger proves, or refuses whole,
        under the write lock; so is that no key is taken.
        """
        # What is about another entry needs a look at that one under the lock.
        if not items or any(item.entry.about is not None for item in items):
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
        log = reader_of(connection, self._sealer)
        growth = self._growth.caught_up(log, log.size())
        done = screened(items, growth.size, log, lambda at: _erased(connection, at))
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
            connection = sqlite_file.connect(self._path, self._wait)
            try:
                sqlite_file.prove_protected(connection, self._path)
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self._connection

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()


def checkpoint_of(path: Path) -> Path:
    """The file beside the log that keeps the last checkpoint."""
    return path.with_name(f"{path.name}.checkpoint")


def reader_of(connection: sqlite3.Connection, sealer: Sealer) -> Reader:
    """What asks over this connection."""
    return Reader(lambda query, values: connection.execute(query, values).fetchall(), sealer)


def _erased(connection: sqlite3.Connection, index: int) -> bool:
    """Remove the payload of an entry that may be erased; whether there was one."""
    query = (
        "DELETE FROM payload WHERE position = ?1"
        " AND (SELECT kind FROM entry WHERE position = ?1) <> ?2"
    )
    return connection.execute(query, (index, ERASURE)).rowcount > 0
