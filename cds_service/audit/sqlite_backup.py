"""A copy of the log's SQLite file while a service writes to it: SQLite's own backup.

https://www.sqlite.org/backup.html (from memory): made in one step it is the log as it was at one
moment, and in WAL mode nobody who writes has to wait. A copy of the file alone would lack what is
still in the write-ahead file.
"""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from cds_service.audit.finding import Verification
from cds_service.audit.seal import Plain
from cds_service.audit.sqlite import reader_of
from cds_service.audit.sqlite_file import flush, layout
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.verify_log import verify_log
from cds_service.errors import LogUnavailable


def back_up(path: Path, to: Path) -> Verification:
    """Copy the log to a new file of its owner only, durably, and prove that the copy is whole.

    What is proved is every leaf and the tree, and that no page is damaged; payloads are as they
    were. Raises LogUnavailable; then there is no new file.
    """
    if (version := layout(path)) and version != VERSION:
        raise LogUnavailable(
            f"the log {path} has layout {version}, which is not copied while it is in use: stop "
            "the service and copy the file"
        )
    try:
        os.close(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    except OSError as error:
        raise LogUnavailable(f"the backup {to} cannot be made: {error.strerror}") from error
    try:
        found = _copied(path, to)
    except BaseException as error:
        for name in (to, to.with_name(f"{to.name}-wal"), to.with_name(f"{to.name}-shm")):
            name.unlink(missing_ok=True)
        if isinstance(error, (sqlite3.Error, OSError)):
            raise LogUnavailable(f"the log {path} cannot be backed up: {error}") from error
        raise
    flush(to)
    flush(to.parent)
    return found


def _copied(path: Path, to: Path) -> Verification:
    with (
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(to, isolation_level=None)) as copy,
    ):
        source.backup(copy)
        # Without a write-ahead file beside it, it is one file that can be carried about.
        copy.execute("PRAGMA journal_mode = DELETE")
        (fault,) = copy.execute("PRAGMA quick_check(1)").fetchone()
        if fault != "ok":
            raise LogUnavailable(f"the log {path} is damaged: {fault}")
        found = verify_log(reader_of(copy, Plain()), Plain(), payloads=False)
    if found.finding is not None:
        at, what = found.finding.position, found.finding.what
        raise LogUnavailable(f"the log {path} is damaged at entry {at}: {what}")
    return found
