"""Random tampering with the rows in PostgreSQL: the same that the rows in SQLite get, all found.

Oftener: CDS_TEST_TAMPERINGS=100000 (a tenth of it here).
"""

import asyncio
import os
import random
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

import psycopg
import pytest

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.postgres_session import SCHEMA, Connection, asking
from cds_service.audit.reader import Reader
from cds_service.audit.seal import Encrypted, Plain, Sealer
from cds_service.audit.verify_log import verify_log
from tests.logs import VERIFIER, open_database

from .tampering import TAMPERS
from .test_tampering import LARGE, SMALL, made

pytestmark = pytest.mark.postgresql
TIMES = int(os.environ.get("CDS_TEST_TAMPERINGS", "2000")) // 10
LOGS: list[tuple[Sealer, int, int]] = [
    (Plain(), SMALL, TIMES * 47 // 100),
    (Encrypted([bytes(32)]), SMALL, TIMES * 47 // 100),
    (Plain(), LARGE, TIMES * 6 // 100),
]
"""Each log, its size, and how often it is tampered with."""


class Rows:
    """Takes the statements of `tampering` in SQLite's words."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def execute(self, query: str, values: Sequence[Any] = ()) -> psycopg.Cursor[Any]:
        """Run it; what the database refuses is undone by itself and raised as SQLite would."""
        if " tile " in f"{query} " and "rowid" in query:
            query = query.replace("rowid", "ctid::text")
        query = query.replace("rowid", "position").replace("?", "%s")
        # A bit of a text may be that of a code point that PostgreSQL has no text with.
        given = [each.replace("\0", "x") if isinstance(each, str) else each for each in values]
        try:
            with self._connection.transaction():
                return self._connection.execute(query.encode(), given)
        except psycopg.errors.IntegrityError as error:
            raise sqlite3.IntegrityError from error


@contextmanager
def taken_back(connection: Connection) -> Iterator[None]:
    """What is changed inside is taken back at the end."""
    with connection.transaction(force_rollback=True):
        yield


@pytest.mark.parametrize(("sealer", "size", "times"), LOGS, ids=["plain", "encrypted", "large"])
def test_every_tampering_is_found(database: str, sealer: Sealer, size: int, times: int) -> None:
    note = asyncio.run(made(open_database(database, sealer=sealer), size))
    checkpoint: Checkpoint = open_checkpoint(note, VERIFIER)
    chance = random.Random(size + times)
    with Connection.connect(database, autocommit=True) as connection:
        connection.execute(f"SET search_path = {SCHEMA}")
        # Triggers stop mistakes, not somebody who owns the database.
        connection.execute("SET session_replication_role = replica")
        log, rows = Reader(asking(connection), sealer), cast("sqlite3.Connection", Rows(connection))
        assert verify_log(log, sealer, [checkpoint]).finding is None
        done = 0
        for _ in range(times):
            name = chance.choice(list(TAMPERS))
            with taken_back(connection):
                what = TAMPERS[name](rows, chance)
                found = verify_log(log, sealer, [checkpoint])
            # What is put behind the last checkpoint is told as not vouched for.
            assert found.finding is not None or found.beyond, f"{name}: {what}"
            done += 1
        assert verify_log(log, sealer, [checkpoint]).finding is None
    assert done == times
