"""Connections for questions, kept between them: to open one costs some twenty times a question."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from queue import Empty, LifoQueue
from threading import BoundedSemaphore

import psycopg

from cds_service.audit.postgres_session import Connection, asking, connect, reason
from cds_service.audit.reader import Reader
from cds_service.audit.seal import Sealer
from cds_service.errors import LogUnavailable

MOST = 4
"""Questions at a time, each on a connection of its own."""
_WAIT = 5.0
"""Seconds to wait for one to be free."""


class Readers:
    """The connections of one process that only read; `writes`: another of its connections does."""

    def __init__(self, url: str, *, writes: bool = True) -> None:
        self._url = url
        self._writes = writes
        self._free = BoundedSemaphore(MOST)
        self._idle: LifoQueue[Connection] = LifoQueue()
        self._closed = False

    @contextmanager
    def reading(self, sealer: Sealer) -> Iterator[Reader]:
        """A reader that sees the log as it is at one moment; raises LogUnavailable."""
        if not self._free.acquire(timeout=_WAIT):
            raise LogUnavailable("the audit log cannot be read: too many questions at once")
        try:
            connection = self._begun()
            try:
                yield Reader(asking(connection), sealer)
            finally:
                self._give_back(connection)
        except psycopg.Error as error:
            raise LogUnavailable(f"the audit log cannot be read: {reason(error)}") from error
        finally:
            self._free.release()

    def close(self) -> None:
        """Close what is idle, and from now on each connection after its question."""
        self._closed = True
        with suppress(Empty):
            while True:
                self._idle.get_nowait().close()

    def _give_back(self, connection: Connection) -> None:
        try:
            connection.execute("ROLLBACK")
        except psycopg.Error:
            connection.close()
            return
        if self._closed:
            connection.close()
        else:
            self._idle.put(connection)

    def _begun(self) -> Connection:
        """A connection within a transaction. Those that broke while idle are passed over."""
        begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
        with suppress(Empty):
            while True:
                connection = self._idle.get_nowait()
                try:
                    connection.execute(begin)
                except psycopg.Error:
                    connection.close()
                else:
                    return connection
        connection = connect(self._url, writes=self._writes)
        connection.execute(begin)
        return connection
