"""Which tokens were used: each counts once, also after a restart, and on every replica.

Only a hash is kept, and only until the token would have expired anyway.
"""

import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from cds_service.errors import LogUnavailable


class Clearing:
    """When what has expired is to be cleared away: once in `EVERY` seconds."""

    EVERY = 60.0

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._cleared = float("-inf")

    def due(self) -> int | None:
        """The Unix time before which everything has expired; None while it is too early."""
        now = self._clock()
        if now - self._cleared < self.EVERY:
            return None
        self._cleared = now
        return int(now)


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
        self._path, self._wait, self._clearing = path, wait, Clearing(clock)
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
                if (before := self._clearing.due()) is not None:
                    self._connection.execute("DELETE FROM used WHERE until < ?", (before,))
                added = self._connection.execute(
                    "INSERT INTO used VALUES (?, ?) ON CONFLICT DO NOTHING", (mark, until)
                )
                return added.rowcount == 1
        except sqlite3.Error as error:
            raise LogUnavailable(f"the list of used tokens cannot be written: {error}") from error

    def close(self) -> None:
        """See Seen."""
        self._connection.close()
