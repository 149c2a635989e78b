"""kill -9 within an erasure: it is whole or did not happen, and can be gone on with afterwards.

More often: CDS_TEST_KILLS=1000. On both stores.
"""

import asyncio
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psycopg
import pytest

from cds_service.audit import postgres_write, sqlite, sqlite_layout
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import Connection
from cds_service.audit.record import ERASURE, FEEDBACK, RECOMMENDATION
from cds_service.audit.store import Logged, Store
from cds_service.errors import LogUnavailable
from tests.audit import killing
from tests.logs import open_any

from .conftest import append_all, entry, erasure

KILLING = Path(__file__).with_name("killing.py")
KILLS = int(os.environ.get("CDS_TEST_KILLS", "100")) // 10
SEED = 4


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a log of its own is."""
    if request.param == "sqlite":
        return str(tmp_path / "log.db")
    address: str = request.getfixturevalue("database")
    return address


def killed_while_erasing(place: str) -> list[int]:
    """Processes append, feed back and erase, and are killed; what they had been told is erased."""
    command = [sys.executable, str(KILLING), place, str(KILLS // 2), str(SEED), "erasing"]
    output = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True).stdout
    words = [line.split() for line in output.splitlines()]
    return [int(line[1]) for line in words if line[0] == "erased"]


async def everything(store: Store) -> list[Logged]:
    return [logged async for logged in store.scan()]


def half_erased(log: list[Logged]) -> list[int]:
    """Entries that are erased although feedback about them is not."""
    named = {each.head.about for each in log if each.head.kind == FEEDBACK and each.entry}
    return [each.index for each in log if each.entry is None and each.index in named]


def test_killed_within_an_erasure_the_log_is_whole_and_it_can_be_repeated(place: str) -> None:
    acknowledged = killed_while_erasing(place)
    store = open_any(place)

    log = asyncio.run(everything(store))
    # Both ways: no payload is missing without an erasure that says so, none is there against one.
    assert asyncio.run(store.verify()).finding is None
    erased = {each.index for each in log if each.entry is None}
    assert acknowledged
    assert erased >= set(acknowledged)
    assert half_erased(log) == []

    service = killing.erasing_service()
    service.store = store
    left = [each.index for each in log if each.head.kind == RECOMMENDATION and each.entry]
    for index in left:
        assert asyncio.run(service.erase(index, "again")) is not None
        assert asyncio.run(service.erase(index, "once more")) is None
    after = asyncio.run(everything(store))
    found = asyncio.run(store.verify())
    asyncio.run(store.close())

    assert left, "nobody was killed before an erasure was done"
    assert found.finding is None
    assert all(each.entry is None for each in after if each.head.kind != ERASURE)


def refused_erasure(store: Store) -> None:
    with pytest.raises(LogUnavailable):
        asyncio.run(store.erase(0, erasure(0)))


def whole_and_repeated(store: Store, *, erased: bool) -> None:
    """What was cut off happened wholly or not at all; asked again, it has happened."""
    logged = asyncio.run(store.get(0))
    assert logged is not None
    assert (logged.entry is None) == erased
    assert asyncio.run(store.verify()).finding is None
    assert (asyncio.run(store.erase(0, erasure(0))) is None) == erased
    found = asyncio.run(store.verify())
    assert (found.finding, found.erased, found.size) == (None, 1, 2)


@pytest.mark.postgresql
@pytest.mark.parametrize("at", ["after the payload is gone", "before COMMIT", "after COMMIT"])
def test_cut_off_at_any_point_on_postgresql(
    connected: Callable[..., PostgresStore], monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    store = connected()
    append_all(store, [entry()])
    name = "insert" if at == "after the payload is gone" else "commit"
    real: Callable[..., None] = getattr(postgres_write, name)

    def cut(connection: Connection, *rest: Any) -> None:
        if at == "after COMMIT":
            real(connection, *rest)
        connection.close()
        raise psycopg.OperationalError("the process was killed")

    with monkeypatch.context() as patch:
        patch.setattr(postgres_write, name, cut)
        refused_erasure(store)

    whole_and_repeated(connected(), erased=at == "after COMMIT")


@pytest.mark.parametrize("at", ["after the payload is gone", "before COMMIT"])
def test_cut_off_at_any_point_on_sqlite(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    store = open_any(str(tmp_path / "cut.db"))
    append_all(store, [entry()])
    real = sqlite_layout.insert

    def cut(*given: Any) -> None:
        if at == "before COMMIT":
            real(*given)
        raise sqlite.sqlite3.OperationalError("the process was killed")

    with monkeypatch.context() as patch:
        patch.setattr(sqlite_layout, "insert", cut)
        refused_erasure(store)
    asyncio.run(store.close())

    again = open_any(str(tmp_path / "cut.db"))
    whole_and_repeated(again, erased=False)
    asyncio.run(again.close())
