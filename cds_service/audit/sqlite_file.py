"""The log's SQLite file: its layout, how it is opened, how an entry becomes a row.

https://www.sqlite.org/wal.html and pragma.html#pragma_synchronous: in WAL mode a commit
survives a power cut only with synchronous=FULL, so nothing else is accepted.
"""

import os
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

from cds_service.audit.record import Entry, Origin
from cds_service.errors import LogUnavailable

VERSION = 1
"""Version of the table layout (PRAGMA user_version)."""

LAST = 2**63 - 1
"""The largest position that SQLite can number."""

COLUMNS = (
    "position", "request", "response", "request_sha256", "response_sha256", "as_of", "recorded",
    "decision_id", "protocol", "content_digest", "code_version", "language", "strict", "tenant",
    "caller",
)  # fmt: skip
"""The table's columns, in the order in which they are read and written."""

_LAYOUT = (
    """CREATE TABLE entry (
        position INTEGER PRIMARY KEY,
        request BLOB NOT NULL,
        response BLOB NOT NULL,
        request_sha256 TEXT NOT NULL,
        response_sha256 TEXT NOT NULL,
        as_of TEXT NOT NULL,
        recorded TEXT NOT NULL,
        decision_id TEXT NOT NULL,
        protocol TEXT NOT NULL,
        content_digest TEXT NOT NULL,
        code_version TEXT NOT NULL,
        language TEXT NOT NULL,
        strict INTEGER NOT NULL CHECK (strict IN (0, 1)),
        tenant TEXT NOT NULL,
        caller TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX entry_by_decision ON entry (decision_id)",
    """CREATE TRIGGER entry_never_changed BEFORE UPDATE ON entry
    BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END""",
    """CREATE TRIGGER entry_never_removed BEFORE DELETE ON entry
    BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END""",
    # Also stops INSERT OR REPLACE, which removes without firing the trigger above.
    """CREATE TRIGGER entry_in_order BEFORE INSERT ON entry
    WHEN NEW.position <> (SELECT COALESCE(MAX(position) + 1, 0) FROM entry)
    BEGIN SELECT RAISE(ABORT, 'the log is append-only: not the next position'); END""",
    f"PRAGMA user_version = {VERSION}",
)

NEXT = "SELECT COALESCE(MAX(position) + 1, 0) FROM entry"
"""The position of the entry to come; only sure while the write lock is held."""

TRIAL_BYTES = 64 * 1024
"""What a trial commit writes: more than an entry of a usual visit."""

SELECT = f"SELECT {', '.join(COLUMNS)} FROM entry"  # noqa: S608 - only our own column names
"""Every column, in the order that `to_entry` takes."""


def insert(rows: int) -> str:
    """One statement for many rows: each statement costs a hand-over between threads."""
    one = f"({', '.join('?' * len(COLUMNS))})"
    return f"INSERT INTO entry ({', '.join(COLUMNS)}) VALUES {', '.join([one] * rows)}"  # noqa: S608


def row(entry: Entry) -> tuple[Any, ...]:
    """The entry's columns but the position."""
    return (
        entry.request,
        entry.response,
        entry.request_sha256,
        entry.response_sha256,
        entry.as_of.isoformat(),
        entry.recorded.isoformat(),
        entry.decision_id,
        entry.protocol,
        entry.content_digest,
        entry.code_version,
        entry.language,
        int(entry.strict),
        entry.origin.tenant,
        entry.origin.caller,
    )


def try_out(connection: sqlite3.Connection) -> None:
    """Write within the transaction as much as an entry would, beside the log itself.

    The one row is replaced each time. Made here and not in the layout: logs of before have no
    such table, and a disk that is full must not keep a log from being opened and read.
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS trial (only INTEGER PRIMARY KEY CHECK (only = 0), filling BLOB)"
    )
    connection.execute("REPLACE INTO trial VALUES (0, ?)", (os.urandom(TRIAL_BYTES),))


def values(rows: Sequence[tuple[Any, ...]], first: int) -> list[Any]:
    """The values for `insert(len(rows))`; the first row gets the position `first`."""
    return [value for position, row in enumerate(rows, first) for value in (position, *row)]


def to_entry(row: tuple[Any, ...]) -> Entry:
    """The entry of one row of `SELECT`."""
    return Entry(
        request=row[1],
        response=row[2],
        request_sha256=row[3],
        response_sha256=row[4],
        as_of=datetime.fromisoformat(row[5]),
        recorded=datetime.fromisoformat(row[6]),
        decision_id=row[7],
        protocol=row[8],
        content_digest=row[9],
        code_version=row[10],
        language=row[11],
        strict=bool(row[12]),
        origin=Origin(tenant=row[13], caller=row[14]),
    )


def prepare(path: Path, wait: float) -> tuple[int, int]:
    """Make the file and its table if need be, and prove that it is a durable log of ours.

    Returns the file's identity; raises LogUnavailable.
    """
    try:
        _make(path)
        with closing(connect(path, wait)) as connection:
            _lay_out(connection, path)
        _flush_folder(path.parent)
        return identity(path)
    except (sqlite3.Error, OSError) as error:
        raise LogUnavailable(f"the audit log {path} cannot be opened: {error}") from error


def _make(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))


def connect(path: Path, wait: float) -> sqlite3.Connection:
    """Open an existing file and prove that what it acknowledges survives a power cut.

    Raises LogUnavailable when it cannot, sqlite3.Error when it is no such file.
    """
    uri = f"{path.absolute().as_uri()}?mode=rw"
    connection = sqlite3.connect(
        uri, uri=True, timeout=wait, isolation_level=None, cached_statements=256
    )
    try:
        # Only tells for a new file: an entry is some 25 kB, and larger pages cost fewer frames.
        connection.execute("PRAGMA page_size = 8192")
        journal = _into_wal(connection, wait)
        connection.execute("PRAGMA synchronous = FULL")
        (synchronous,) = connection.execute("PRAGMA synchronous").fetchone()
        if journal != "wal" or synchronous != 2:
            raise LogUnavailable(
                f"the audit log {path} cannot be made durable "
                f"(journal_mode={journal}, synchronous={synchronous}; wal and 2 are needed): "
                "put it on a local disk"
            )
    except BaseException:
        connection.close()
        raise
    return connection


def _into_wal(connection: sqlite3.Connection, wait: float) -> str:
    """Ask for WAL mode; the mode that there is then.

    Two processes that open a new file at once are in each other's way here, and SQLite does not
    let either wait: to it, it looks like a deadlock.
    """
    until = time.monotonic() + wait
    while True:
        try:
            return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() >= until:
                raise
        time.sleep(0.005)


def _lay_out(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("BEGIN IMMEDIATE")  # only one process at a time may find the file new
    if _version(connection) == 0:
        if connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone() != (0,):
            raise LogUnavailable(f"the file {path} is a database of something else")
        for statement in _LAYOUT:
            connection.execute(statement)
    connection.execute("COMMIT")
    if _version(connection) != VERSION:
        raise LogUnavailable(
            f"the audit log {path} has layout {_version(connection)}, this program writes "
            f"layout {VERSION}: use the program that made it, or another file"
        )


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def _flush_folder(folder: Path) -> None:
    """Make the new file's name durable too (SQLite does so for its WAL, not for the file)."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def identity(path: Path) -> tuple[int, int]:
    """Device and file number: which file is behind the name now. Raises OSError."""
    known = path.stat()
    return known.st_dev, known.st_ino
