"""The log in PostgreSQL: one log for all replicas of the service, append-only, group-committed.

Whatever happens to the connection or the server fails the entries that wait and no others; the
next batch connects anew. After a commit whose outcome is unknown the log is read anew too.
"""

from collections.abc import Sequence
from contextlib import AbstractContextManager

import psycopg

from cds_service.audit import postgres_layout, postgres_write
from cds_service.audit.base import BaseStore
from cds_service.audit.note import Signer
from cds_service.audit.postgres_read import Readers
from cds_service.audit.postgres_session import Connection, asking, connect, reason
from cds_service.audit.postgres_witness import in_table
from cds_service.audit.reader import Reader
from cds_service.audit.rows import Item
from cds_service.audit.screening import Screened, screened
from cds_service.audit.seal import Plain, Sealer
from cds_service.audit.tree import leaf_hash
from cds_service.errors import LogUnavailable


class PostgresStore(BaseStore):
    """`audit.store.Store` in the database at `url` (libpq's form, `postgresql://...`).

    `signer` signs its checkpoints, `sealer` encrypts its payloads. Raises LogUnavailable when
    the database cannot be used as a durable log.
    """

    def __init__(self, url: str, signer: Signer, *, sealer: Sealer | None = None) -> None:
        super().__init__(
            signer, sealer or Plain(), in_table(url, lambda: self._connection, self._drop)
        )
        self._url = url
        self._connection: Connection | None = None
        self._last = b""
        """Hash of the last leaf that this process knows of; empty when there is none."""
        self._readers = Readers(url)
        try:
            self._connection = connect(url)
            postgres_layout.prepare(self._connection)
            self._begin()
            with self._reading() as log:
                self._last = log.nodes(0, self._growth.size - 1, 1)
        except psycopg.Error as error:
            self._give_up()
            raise LogUnavailable(f"the audit log cannot be opened: {reason(error)}") from error
        except LogUnavailable:
            self._give_up()
            raise

    def _give_up(self) -> None:
        self._drop()
        self._readers.close()

    async def close(self) -> None:
        """See `Store.close`."""
        await super().close()
        self._readers.close()

    def _reading(self) -> AbstractContextManager[Reader]:
        return self._readers.reading(self._sealer)

    def _record(self, items: Sequence[Item]) -> Screened:
        """See `BaseStore`."""
        try:
            return self._in_turn(items)
        except psycopg.Error as error:
            raise LogUnavailable(f"the audit log cannot be written: {reason(error)}") from error

    def _in_turn(self, items: Sequence[Item]) -> Screened:
        connection, size, leaf = self._begun()
        log = Reader(asking(connection), self._sealer)
        self._prove_same(leaf)
        growth = self._growth.caught_up(log, size)
        last = log.nodes(0, size - 1, 1) if growth.size > self._growth.size else self._last
        done = screened(items, growth.size, log, lambda at: postgres_write.erased(connection, at))
        after, tiles = growth.grown([item.hashed for item in done.items])
        if done.items:
            postgres_write.insert(connection, done.items, tiles, growth.size)
        if not items:
            postgres_write.try_out(connection)
        postgres_write.commit(connection)
        self._last = done.items[-1].hashed if done.items else last
        self._growth = after
        return done

    def _begun(self) -> tuple[Connection, int, bytes | None]:
        """Begin, see `postgres_write.begin`.

        A connection that was cut while nothing was to be done is opened again at once: of this
        batch nothing was sent yet.
        """
        for _ in range(2):
            connection = self._opened()
            try:
                return connection, *postgres_write.begin(connection, self._growth.size)
            except psycopg.Error as error:
                if not connection.closed:
                    raise
                cut = error
                self._drop()
        raise cut

    def _opened(self) -> Connection:
        if self._connection is None:
            self._connection = connect(self._url)
            postgres_layout.prove_whole(self._connection)
        return self._connection

    def _prove_same(self, leaf: bytes | None) -> None:
        """What this process knows is still there: it has signed it, and cannot sign another log.

        A backup that was put back, or a standby that took over without the last entries, would
        otherwise be continued as if nothing were missing.
        """
        if (b"" if leaf is None else leaf_hash(leaf)) != self._last:
            raise LogUnavailable(
                "entries that were acknowledged are not in the database any more: keep what there "
                "is, find out why, compare with a checkpoint that was handed out, then restart"
            )

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
