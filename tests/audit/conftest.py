"""A log in a folder of its own, and entries to put in it."""

import asyncio
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from cds_service.audit.record import ERASURE, Entry, Origin, digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Receipt, Store
from tests.logs import open_database, open_log
from tests.postgresql.server import Server

AT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)


def entry(number: int = 1, size: int = 100) -> Entry:
    request = f'{{"weight": 3.40, "n": {number}}}'.encode().ljust(size)
    response = f'{{"answer": {number}}}'.encode().ljust(size)
    return Entry(
        request=request,
        response=response,
        request_sha256=digest(request),
        response_sha256=digest(response),
        as_of=AT,
        recorded=AT,
        decision_id=f"decision-{number}",
        protocol="sick-young-infant|2024.1",
        content_digest="c" * 64,
        code_version="0.1.0",
        language="en",
        strict=False,
        origin=Origin("marrow-vale", "tolm-ford"),
    )


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Callable[..., SqliteStore]]:
    stores: list[SqliteStore] = []

    def make(name: str = "log.db", **options: Any) -> SqliteStore:
        stores.append(open_log(tmp_path / name, **options))
        return stores[-1]

    yield make
    for store in stores:
        asyncio.run(store.close())


Opens = Callable[..., Store]


@pytest.fixture
def database(postgresql: Server) -> Iterator[str]:
    """The address of a database without a log. It is one for all: to make one takes longer."""
    empty = f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE"
    postgresql.run(empty)  # tests elsewhere use the same server
    yield postgresql.url("postgres")
    postgresql.run(empty)


@pytest.fixture
def connected(database: str) -> Iterator[Callable[..., PostgresStore]]:
    stores: list[PostgresStore] = []

    def make(**options: Any) -> PostgresStore:
        stores.append(open_database(database, **options))
        return stores[-1]

    yield make
    for store in stores:
        asyncio.run(store.close())


@pytest.fixture(
    params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)],
)
def opens(request: pytest.FixtureRequest) -> Opens:
    """Opens a log in every kind of store; called again, the same log once more.

    What a test of this says holds for all stores. Options: `sealer`.
    """
    opened: Opens = request.getfixturevalue(
        {"sqlite": "opened", "postgresql": "connected"}[request.param]
    )
    return opened


def append_all(store: Store, entries: Sequence[Entry]) -> list[Receipt]:
    """Append at once, in few commits; the receipts in the order of the entries."""

    async def together() -> list[Receipt]:
        return await asyncio.gather(*(store.append(each) for each in entries))

    return asyncio.run(together())


def erasure(about: int) -> Entry:
    """What is recorded when the payload of an entry is erased."""
    told = b'{"reason":"asked for"}'
    return replace(
        entry(0),
        request=told,
        request_sha256=digest(told),
        response=b"",
        response_sha256=digest(b""),
        decision_id="",
        kind=ERASURE,
        about=about,
    )
