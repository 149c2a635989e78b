"""The log's SQLite file: how it is opened, and proven to be durable.

https://www.sqlite.org/wal.html and pragma.html#pragma_synchronous: in WAL mode a commit
survives a power cut only with synchronous=FULL, so nothing else is accepted.
"""

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from cds_service.audit import sqlite_layout
from cds_service.errors import LogUnavailable

TRIAL_BYTES = 64 * 1024
"""What a trial commit writes: more than an entry of a usual visit."""

_KEPT = 4
"""Statements that the driver keeps ready. Each holds on to what was last written by it."""


def try_out(connection: sqlite3.Connection) -> None:
    """Write within the transaction as much as an entry would, beside the log itself.

    The one row is replaced each time. Made here and not in the layout: logs of before have no
    such table, and a disk that is full must not keep a log from being opened and read.
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS trial (only INTEGER PRIMARY KEY CHECK (only = 0), filling BLOB)"
    )
    connection.execute("REPLACE INTO trial VALUES (0, ?)", (os.urandom(TRIAL_BYTES),))


def empty_write_ahead(connection: sqlite3.Connection, wait: float) -> bool:
    """Bring every page into the file itself and cut the write-ahead file; False: not now.

    Somebody who still reads in it is not waited for.
    """
    connection.execute("PRAGMA busy_timeout = 0")
    (busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    connection.execute(f"PRAGMA busy_timeout = {round(wait * 1000)}")
    return not busy


def prepare(
    path: Path, wait: float, take_over: Callable[[sqlite3.Connection], None]
) -> tuple[int, int]:
    """Make the file and its tables if need be, and prove that it is a durable log of ours.

    `take_over` brings the tables of layout 1 to the layout of now. Returns the file's identity;
    raises LogUnavailable.
    """
    try:
        _make(path)
        with closing(connect(path, wait)) as connection:
            _lay_out(connection, path, take_over)
            prove_protected(connection, path)
        flush(path.parent)
        return identity(path)
    except (sqlite3.Error, OSError) as error:
        raise LogUnavailable(f"the audit log {path} cannot be opened: {error}") from error


def prove_protected(connection: sqlite3.Connection, path: Path) -> None:
    """Raise LogUnavailable when a trigger is not as it must be: somebody opened the log for change.

    They are not made again without a word: it is to be found out first what was done meanwhile.
    """
    if wrong := sqlite_layout.unprotected(connection):
        raise LogUnavailable(
            f"triggers of the audit log {path} are missing or changed ({len(wrong)}): somebody "
            "opened it to change what is recorded. Verify it against a checkpoint that was kept "
            "elsewhere (cds-service verify-log --checkpoint FILE); when it is in order, "
            "cds-service prepare-log --triggers makes them again"
        )


def protect(path: Path, wait: float = 5.0) -> int:
    """Make the triggers again; how many were not as they must be. Raises LogUnavailable."""
    try:
        with closing(connect(path, wait)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            wrong = sqlite_layout.protect(connection)
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise LogUnavailable(f"the audit log {path} cannot be written: {error}") from error
    return len(wrong)


def layout(path: Path) -> int:
    """The version of the tables in a file; 0 when there is none, or none of ours."""
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True)) as connection:
            return _version(connection)
    except sqlite3.Error:
        return 0


def _make(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))


def connect(path: Path, wait: float) -> sqlite3.Connection:
    """Open an existing file and prove that what it acknowledges survives a power cut.

    Raises LogUnavailable when it cannot, sqlite3.Error when it is no such file.
    """
    uri = f"{path.absolute().as_uri()}?mode=rw"
    connection = sqlite3.connect(
        uri, uri=True, timeout=wait, isolation_level=None, cached_statements=_KEPT
    )
    try:
        # Only tells for a new file: an entry is some 25 kB, and larger pages cost fewer frames.
        connection.execute("PRAGMA page_size = 8192")
        journal = _into_wal(connection, wait)
        connection.execute("PRAGMA synchronous = FULL")
        # What is erased is overwritten, in the file and in its free pages.
        connection.execute("PRAGMA secure_delete = ON")
        # A large batch would pass through a temporary file, with all that was sent.
        connection.execute("PRAGMA temp_store = MEMORY")
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


def _lay_out(
    connection: sqlite3.Connection, path: Path, take_over: Callable[[sqlite3.Connection], None]
) -> None:
    """One transaction: killed in the midst of it, the file is as before and it begins again."""
    connection.execute("BEGIN IMMEDIATE")  # only one process at a time may find the file new
    version = _version(connection)
    if version == 0:
        if connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone() != (0,):
            raise LogUnavailable(f"the file {path} is a database of something else")
        sqlite_layout.lay_out(connection)
    elif version == 1:
        take_over(connection)
    elif version != sqlite_layout.VERSION:
        raise LogUnavailable(
            f"the audit log {path} has layout {version}, this program writes "
            f"layout {sqlite_layout.VERSION}: use the program that made it, or another file"
        )
    connection.execute("COMMIT")


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def flush(path: Path) -> None:
    """Make a file, or the names in a folder, durable.

    SQLite does so for its WAL, but not for the name of a new file.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def identity(path: Path) -> tuple[int, int]:
    """Device and file number: which file is behind the name now. Raises OSError."""
    known = path.stat()
    return known.st_dev, known.st_ino
