"""The log in a SQLite file that is only looked at, be the file and its folder read-only or not.

SQLite reads a file in WAL mode together with its write-ahead file `-wal`, and coordinates with
others in `-shm` (https://www.sqlite.org/wal.html, section "Read-Only Databases", from memory).
While a service has the log open all three are there. When it was closed there is only the file: it
is whole by itself, but SQLite would make the other two, and may not in a folder without permission
to write. Then the file is opened as `immutable`, and proved not to be written to meanwhile.

Whoever reads also writes into `-shm` that he does; `untouched` keeps him from it (the parameter
`readonly_shm` of https://www.sqlite.org/uri.html, from memory), and he cannot read without it.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path

from cds_service.audit.note import Signer
from cds_service.audit.read_only import ReadOnly
from cds_service.audit.reader import Reader
from cds_service.audit.seal import Sealer
from cds_service.audit.sqlite import checkpoint_of, reader_of
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.witness import in_file
from cds_service.errors import LogUnavailable


def open_read_only(
    path: Path,
    sealer: Sealer,
    signer: Signer | None = None,
    *,
    wait: float = 5.0,
    untouched: bool = False,
) -> ReadOnly:
    """The log in the file at `path`, see `ReadOnly`; raises LogUnavailable when there is none."""
    reading = partial(_reading, path, sealer, wait, untouched)
    with reading():
        pass
    return ReadOnly(reading, sealer, in_file(checkpoint_of(path)), signer)


@contextmanager
def _reading(path: Path, sealer: Sealer, wait: float, untouched: bool) -> Iterator[Reader]:
    """A reader that sees the log as it is at one moment; raises LogUnavailable."""
    with connection_to(path, wait, untouched=untouched) as connection:
        _prove_ours(connection, path)
        yield reader_of(connection, sealer)


@contextmanager
def connection_to(
    path: Path, wait: float = 5.0, *, untouched: bool = False
) -> Iterator[sqlite3.Connection]:
    """A connection that reads the file as it is at one moment, whatever is in it.

    Raises LogUnavailable when there is no file, or it cannot be read.
    """
    try:
        before = _state(path)
        with closing(_connected(path, wait, untouched)) as connection:
            immutable = connection.execute("PRAGMA query_only").fetchone() == (1,)
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                if immutable and _state(path) != before:
                    raise LogUnavailable(
                        f"the audit log {path} was written to while it was read: ask again"
                    )
    except FileNotFoundError as error:
        raise LogUnavailable(f"there is no audit log {path}") from error
    except (sqlite3.Error, OSError) as error:
        raise LogUnavailable(f"the audit log {path} cannot be read: {error}") from error


def _state(path: Path) -> tuple[int, int, int]:
    """What changes when the file itself is written to."""
    known = path.stat()
    return known.st_ino, known.st_size, known.st_mtime_ns


def _connected(path: Path, wait: float, untouched: bool) -> sqlite3.Connection:
    """A connection that reads; marked `query_only` when the file was opened as immutable."""
    beside = path.with_name(f"{path.name}-wal")
    if not beside.exists():
        return _immutable(path)
    try:
        return _asked(path, "mode=ro&readonly_shm=1" if untouched else "mode=ro", wait)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise
        if not beside.exists() or beside.stat().st_size == 0:
            return _immutable(path)
        raise LogUnavailable(
            f"the audit log {path} cannot be read: {beside.name} holds a part of it, and SQLite "
            "cannot make its -shm file beside it. Copy both to a folder in which you may write, or "
            "have the service stopped in an orderly way"
        ) from error


def _immutable(path: Path) -> sqlite3.Connection:
    connection = _asked(path, "mode=ro&immutable=1", 0)
    connection.execute("PRAGMA query_only = ON")
    return connection


def _asked(path: Path, how: str, wait: float) -> sqlite3.Connection:
    """Open it and read once: before that SQLite opens nothing."""
    uri = f"{path.absolute().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, timeout=wait, isolation_level=None)
    try:
        # A large sort would pass through a temporary file, with all that was sent.
        connection.execute("PRAGMA temp_store = MEMORY")
        connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def _prove_ours(connection: sqlite3.Connection, path: Path) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version == VERSION:
        return
    if version == 1:
        raise LogUnavailable(
            f"the audit log {path} has layout 1, which has no proofs: start the service once, it "
            "brings the log to the layout of now"
        )
    raise LogUnavailable(f"the file {path} is no audit log that this program can read")
