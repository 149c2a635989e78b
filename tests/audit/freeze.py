"""`python -m tests.audit.freeze FILE`: a small log of the layout of now, to be kept for ever.

FILE ends in `.db.gz` (SQLite's file) or `.sql.gz` (statements that make the same rows in
PostgreSQL again, with the tables as they were). Run once for each layout, before it is released;
what it wrote is never made again. Beside the log it writes the last checkpoint, as somebody
outside would have kept it.
"""

import asyncio
import gzip
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql

from cds_service import __version__
from cds_service.audit import postgres_layout
from cds_service.audit.postgres_session import SCHEMA
from cds_service.audit.record import Origin
from cds_service.audit.rows import EntryRow, PayloadRow
from cds_service.audit.seal import Encrypted
from cds_service.audit.store import Store
from cds_service.audit.tiles import Tile
from cds_service.content.library import Library
from cds_service.service import Service
from tests.logs import open_database, open_log
from tests.postgresql.server import running

from .conftest import erasure

STORIES = ("11-assessment-incomplete", "06-infection-unlikely", "11-assessment-incomplete")
ORIGIN = Origin("marrow-vale", "tolm-ford")
SEALER = Encrypted([bytes(range(32))])
"""The last entries are encrypted under this key, the first are not."""
RECORDED = datetime.fromisoformat("2026-11-28T09:00:00+02:00")


async def frozen(opened: Callable[..., Store]) -> str:
    """Write the log; its last checkpoint."""
    for sealer in (None, SEALER):
        store = opened(sealer=sealer)
        protocol = Library().named("sick-young-infant|2024.1")
        service = Service(
            protocol,
            store,
            base="http://cds-service.example/fhir",
            code_version=__version__,
            clock=lambda: RECORDED,
        )
        for number, story in enumerate(STORIES):
            body = Path("examples", story, "request.json").read_bytes()
            entry, _ = service.entry(body, origin=ORIGIN, key=f"{bool(sealer)}-{number}")
            await service.record(entry)
        size = await store.size()
        await store.erase(size - 1, erasure(size - 1))
        checkpoint = await store.checkpoint()
        await store.close()
    return checkpoint


def in_sqlite(to: Path) -> str:
    """Write the file; the last checkpoint."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.db"
        note = asyncio.run(frozen(partial(open_log, log)))
        to.write_bytes(gzip.compress(log.read_bytes(), mtime=0))
    return note


def in_postgresql(to: Path) -> str:
    """Write the statements; the last checkpoint."""
    with running() as server:
        database = server.new_database()
        note = asyncio.run(frozen(partial(open_database, database)))
        with psycopg.connect(database) as connection:
            connection.execute(f"SET search_path = {SCHEMA}".encode())
            text = "".join(f"{statement};\n" for statement in dumped(connection))
        to.write_bytes(gzip.compress(text.encode(), mtime=0))
    return note


def dumped(connection: psycopg.Connection[Any]) -> Iterator[str]:
    """What makes the log again in an empty database; to be run in one transaction."""
    yield f"SET search_path = {SCHEMA}, pg_temp"
    for _, statements in sorted(postgres_layout.MIGRATIONS.items()):
        yield from statements
    yield f"INSERT INTO layout VALUES ({postgres_layout.VERSION})"
    for table, names in TABLES.items():
        columns = ", ".join(names)
        query = f"SELECT {columns} FROM {table} ORDER BY 1, 2"
        rows = [
            ", ".join(sql.Literal(value).as_string(connection) for value in row)
            for row in connection.execute(query.encode())
        ]
        if rows:
            yield f"INSERT INTO {table} ({columns}) VALUES ({'), ('.join(rows)})"


TABLES = {
    "entry": ("position", *EntryRow._fields),
    "payload": ("position", *PayloadRow._fields),
    "tile": Tile._fields,
}
"""What holds the log. A checkpoint that the service keeps for itself is not dumped."""


if __name__ == "__main__":
    target = Path(sys.argv[1])
    kept = in_postgresql(target) if target.suffixes[-2] == ".sql" else in_sqlite(target)
    target.with_suffix(".checkpoint").write_text(kept, encoding="utf-8")
