"""A disk that fails: SQLite's files over a layer (apsw VFS) where the Nth write or sync goes wrong.

The program uses Python's own sqlite3; here its connections are apsw's, behind `_Connection`, which
has as much of sqlite3 as the program uses. A power cut takes back what was written and not yet
synced: all of it, or some at random, as a disk that reorders would.
"""

import random
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import apsw
import pytest

ERROR, FULL, SHORT, TORN, CUT, CUT_SOME = "error", "full", "short", "torn", "cut", "cut-some"
MODES = (ERROR, FULL, SHORT, TORN, CUT, CUT_SOME)
DEADLY = (TORN, CUT, CUT_SOME)
"""After these the machine is off: nothing more is written."""
_OURS = apsw.SQLITE_OPEN_MAIN_DB | apsw.SQLITE_OPEN_WAL
FULL_FOR = 12
"""Writes for which a full disk stays full."""


@dataclass(slots=True)
class _Written:
    """A write that is not synced yet, and what was there before."""

    path: str
    offset: int
    before: bytes
    length: int
    size: int


@dataclass
class Disk:
    """Goes wrong at operation `at` (counted from 1; 0: never) in the way `mode`."""

    at: int = 0
    mode: str = ERROR
    done: int = 0
    """Writes and syncs so far."""
    off: bool = False
    unsynced: list[_Written] = field(default_factory=list)

    def hit(self) -> str:
        """What happens to this operation: "" or a mode."""
        if self.off:
            return CUT
        self.done += 1
        until = self.at + (FULL_FOR if self.mode == FULL else 1)
        if not self.at or not self.at <= self.done < until:
            return ""
        self.off = self.mode in DEADLY
        return self.mode

    def lose(self) -> None:
        """After a power cut: take back what was not synced, the latest first."""
        if self.mode not in (CUT, CUT_SOME) or not self.off:
            return
        chance = random.Random(self.at)
        for written in reversed(self.unsynced):
            if self.mode == CUT or chance.random() < 0.5:
                self._take_back(written)

    def _take_back(self, written: _Written) -> None:
        with Path(written.path).open("r+b") as file:
            file.seek(written.offset)
            file.write(written.before.ljust(written.length, b"\0"))
            if self.mode == CUT and written.size < written.offset + written.length:
                file.truncate(written.size)


class _File(apsw.VFSFile):
    def __init__(self, name: Any, flags: list[int], disk: Disk) -> None:
        super().__init__("", name, flags)
        self._ours = bool(flags[0] & _OURS)
        self._disk = disk
        self._path = name if isinstance(name, str) or name is None else name.filename()

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        mode = self._disk.hit() if self._ours else ""
        if mode in (SHORT, TORN):
            self._write(data[: len(data) // 2], offset)
        if mode:
            raise _failure(apsw.SQLITE_FULL if mode == FULL else apsw.SQLITE_IOERR_WRITE)
        self._write(data, offset)

    def _write(self, data: bytes, offset: int) -> None:
        if self._ours:
            size = self.xFileSize()
            before = self.xRead(min(len(data), max(0, size - offset)), offset) if size else b""
            self._disk.unsynced.append(_Written(self._path, offset, before, len(data), size))
        super().xWrite(data, offset)

    def xSync(self, _: int) -> None:  # noqa: N802
        if self._ours and self._disk.hit():
            raise _failure(apsw.SQLITE_IOERR_FSYNC)
        # Nothing is really synced: this disk forgets only what it is told to forget.
        mine = self._disk.unsynced
        mine[:] = [written for written in mine if written.path != self._path]

    def xTruncate(self, size: int) -> None:  # noqa: N802
        if self._disk.off:
            raise _failure(apsw.SQLITE_IOERR_TRUNCATE)
        super().xTruncate(size)


class _Layer(apsw.VFS):
    def __init__(self, disk: Disk) -> None:
        self.name = f"faulty-{id(self)}"
        self._disk = disk
        super().__init__(self.name, "")

    def xOpen(self, name: Any, flags: list[int]) -> _File:  # noqa: N802
        return _File(name, flags, self._disk)

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802
        if self._disk.off:
            raise _failure(apsw.SQLITE_IOERR_DELETE)
        super().xDelete(filename, syncdir)


def _failure(code: int) -> apsw.Error:
    return apsw.exception_for(code)


def _told(error: apsw.Error) -> sqlite3.Error:
    """The same error as Python's sqlite3 would tell it."""
    if isinstance(error, apsw.ConstraintError):
        return sqlite3.IntegrityError(str(error))
    told = sqlite3.OperationalError(str(error))
    told.sqlite_errorcode = getattr(error, "extendedresult", apsw.SQLITE_ERROR)
    return told


class _Cursor:
    def __init__(self, connection: apsw.Connection, statement: str, values: Any) -> None:
        try:
            self._cursor = connection.execute(statement, tuple(values))
        except apsw.Error as error:
            raise _told(error) from error
        self.rowcount = connection.changes()

    def fetchone(self) -> Any:
        return next(self, None)

    def fetchall(self) -> list[Any]:
        return list(self)

    def __iter__(self) -> "_Cursor":
        return self

    def __next__(self) -> Any:
        try:
            return next(self._cursor)
        except apsw.Error as error:
            raise _told(error) from error


class _Connection:
    def __init__(self, path: str, vfs: str, timeout: float) -> None:
        flags = apsw.SQLITE_OPEN_READWRITE
        try:
            self._connection = apsw.Connection(path, flags=flags, vfs=vfs)
        except apsw.Error as error:
            raise _told(error) from error
        self._connection.set_busy_timeout(round(timeout * 1000))

    def execute(self, statement: str, values: Any = ()) -> _Cursor:
        return _Cursor(self._connection, statement, values)

    def close(self) -> None:
        try:
            self._connection.close()
        except apsw.Error:  # what is left behind is for the next that opens the file
            self._connection.close(True)


@contextmanager
def on(disk: Disk) -> Iterator[None]:
    """Inside, every file of SQLite is on this disk."""
    before = sys.unraisablehook

    def heard(told: Any) -> None:  # SQLite may pass over a failure; apsw then tells it here
        if not isinstance(told.exc_value, apsw.Error):
            before(told)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sqlite3, "connect", _connecting(disk))
        patched.setattr(sys, "unraisablehook", heard)
        yield


def _connecting(disk: Disk) -> Callable[..., Any]:
    layer = _Layer(disk)

    def connect(address: str, *, timeout: float, **_: Any) -> _Connection:
        return _Connection(unquote(urlsplit(address).path), layer.name, timeout)

    return connect
