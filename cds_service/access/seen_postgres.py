"""Used tokens in PostgreSQL, beside the log: one list for every replica."""

import threading
import time
from collections.abc import Callable

import psycopg

from cds_service.access.seen import Clearing
from cds_service.audit.postgres_session import Connection, connect, reason
from cds_service.errors import LogUnavailable


class PostgresSeen:
    """See `access.seen.Seen`; the table `used_token` is of the log's layout."""

    def __init__(self, url: str, *, clock: Callable[[], float] = time.time) -> None:
        self._url, self._clearing = url, Clearing(clock)
        self._one_at_a_time = threading.Lock()
        self._connection: Connection | None = None

    def first(self, mark: bytes, until: int) -> bool:
        """See Seen. After a failure the next call connects anew."""
        with self._one_at_a_time:
            try:
                connection = self._opened()
                if (before := self._clearing.due()) is not None:
                    connection.execute("DELETE FROM used_token WHERE until < %s", [before])
                added = connection.execute(
                    "INSERT INTO used_token VALUES (%s, %s) ON CONFLICT DO NOTHING", [mark, until]
                )
                return added.rowcount == 1
            except psycopg.Error as error:
                self.close()
                said = reason(error)
                raise LogUnavailable(
                    f"the list of used tokens cannot be written: {said}"
                ) from error

    def _opened(self) -> Connection:
        if self._connection is None or self._connection.closed:
            self._connection = connect(self._url)
        return self._connection

    def close(self) -> None:
        """See Seen."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
