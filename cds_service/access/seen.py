"""Which tokens were used: each counts once, also after a restart, and on every replica.

Only a hash is kept, and only until the token would have expired anyway.
"""

import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Protocol

from cds_service.errors import LogUnavailable

_EVERY = 60.0
"""Seconds after which what has expired is cleared away."""


class Seen(Protocol):
    """Remembers tokens by a hash."""

    def first(self, mark: bytes, until: int) -> bool:
        """Whether it comes for the first time; it is remembered until that Unix time.

        Raises LogUnavailable when that cannot be known.
        """
        ...

    def close(self) -> None:
        """Let go of what is open."""
        ...


class SqliteSeen:
    """In a file of its own beside the log; all processes of the machine share it.

    synchronous=NORMAL: killed processes lose nothing; a power cut may lose the last moments, in
    which a machine does not come back within the five minutes that a token is good for.
    """

    def __init__(
        self, path: Path, *, wait: float = 2.0, clock: Callable[[], float] = time.time
    ) -> None:
        self._path, self._wait, self._clock = path, wait, clock
        self._cleared = float("-inf")
        self._one_at_a_time = threading.Lock()
        try:
            self._connection = self._opened()
        except (sqlite3.Error, OSError) as error:
            raise LogUnavailable(f"the list of used tokens {path}: {error}") from error

    def _opened(self) -> sqlite3.Connection:
        self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._path.touch(mode=0o600)
        connection = sqlite3.connect(
            self._path, timeout=self._wait, isolation_level=None, check_same_thread=False
        )
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        connection.execute(
            "CREATE TABLE IF NOT EXISTS used (mark BLOB PRIMARY KEY, until INTEGER NOT NULL)"
            " WITHOUT ROWID, STRICT"
        )
        return connection

    def first(self, mark: bytes, until: int) -> bool:
        """See Seen."""
        try:
            with self._one_at_a_time:
                self._clear()
                added = self._connection.execute(
                    "INSERT INTO used VALUES (?, ?) ON CONFLICT DO NOTHING", (mark, until)
                )
                return added.rowcount == 1
        except sqlite3.Error as error:
            raise LogUnavailable(f"the list of used tokens cannot be written: {error}") from error

    def _clear(self) -> None:
        now = self._clock()
        if now - self._cleared >= _EVERY:
            self._connection.execute("DELETE FROM used WHERE until < ?", (int(now),))
            self._cleared = now

    def close(self) -> None:
        """See Seen."""
        with closing(self._connection):
            pass
