"""A log in a folder of its own, and entries to put in it."""

import asyncio
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from cds_service.audit.record import Entry, Origin, digest
from cds_service.audit.sqlite import SqliteStore
from tests.logs import open_log

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

    def make(name: str = "log.db", **options: float) -> SqliteStore:
        stores.append(open_log(tmp_path / name, **options))
        return stores[-1]

    yield make
    for store in stores:
        asyncio.run(store.close())
