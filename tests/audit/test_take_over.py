"""Logs written by every version open, verify and can be asked for ever: frozen files."""

import asyncio
import gzip
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.leaf import belongs
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_read_only import open_read_only
from cds_service.audit.record import RECOMMENDATION, TAKEN_OVER, Entry, Origin
from cds_service.audit.seal import Encrypted
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.sqlite_file import layout
from cds_service.audit.sqlite_take_over import Described
from cds_service.audit.store import Logged, Query, Store
from cds_service.audit.tree import leaf_hash, root
from cds_service.content.library import Library
from cds_service.fhir.described import described
from cds_service.service import Service
from tests.logs import VERIFIER, open_log

from .conftest import AT, append_all, entry
from .freeze import RECORDED, SEALER

FROZEN = Path(__file__).with_name("frozen")
Opened = Callable[..., SqliteStore]


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A log of layout 1, made with the program of 2026-11-28: three answers to two requests."""
    path = tmp_path / "log.db"
    path.write_bytes(gzip.decompress((FROZEN / "layout-1.db.gz").read_bytes()))
    return path


def rows_of(path: Path) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute("SELECT * FROM entry ORDER BY position")]


def taken_over(opened: Opened, **options: Any) -> SqliteStore:
    return opened(
        describe=lambda _, response: Described(*described(response)),
        clock=lambda: AT,
        code_version="0.2.0",
        **options,
    )


async def everything(store: Store) -> list[Logged]:
    return [logged async for logged in store.scan()]


@pytest.mark.parametrize("sealer", [None, Encrypted([bytes(32)])], ids=["plain", "encrypted"])
def test_every_entry_of_layout_1_is_as_it_was_and_has_a_leaf(
    opened: Opened, old: Path, sealer: Encrypted | None
) -> None:
    before = rows_of(old)
    assert layout(old) == 1

    logged = asyncio.run(everything(taken_over(opened, sealer=sealer)))

    assert layout(old) == 2
    for each, row in zip(logged, before, strict=False):
        assert each.entry is not None
        assert each.entry.intact
        assert each.payload is not None
        assert belongs(each.leaf, each.payload)
        assert each.index == row["position"]
        assert each.entry.recorded.isoformat() == row["recorded"]
        assert each.entry.as_of.isoformat() == row["as_of"]
        for name in set(row) - {"position", "recorded", "as_of", "tenant", "caller"}:
            assert getattr(each.entry, name) == row[name]
    assert len(logged) == len(before) + 1


def test_an_entry_says_that_the_log_was_taken_over(opened: Opened, old: Path) -> None:
    store = taken_over(opened)
    said = asyncio.run(store.get(3))

    assert old.exists()
    assert said is not None
    assert said.entry is not None
    assert (said.head.kind, said.head.recorded, said.head.code_version) == (TAKEN_OVER, AT, "0.2.0")
    assert said.entry.request == b'{"layout":1,"entries":3}'


def test_what_was_taken_over_can_be_searched_and_goes_on(opened: Opened, old: Path) -> None:
    store = taken_over(opened)
    found = asyncio.run(store.find(Query(kinds=(RECOMMENDATION,), classes=("infection-unlikely",))))

    assert old.exists()
    assert [each.index for each in found] == [1]
    assert found[0].entry is not None
    assert found[0].entry.outcome == "success"
    (receipt,) = append_all(store, [entry()])
    leaves = [each.leaf for each in asyncio.run(everything(store))]
    checkpoint = open_checkpoint(receipt.checkpoint, VERIFIER)
    assert (checkpoint.size, checkpoint.root) == (5, root(map(leaf_hash, leaves)))


def test_it_is_taken_over_once(opened: Opened, old: Path) -> None:
    first = asyncio.run(taken_over(opened).checkpoint())

    assert asyncio.run(taken_over(opened).checkpoint()) == first
    with closing(sqlite3.connect(old)) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    assert not {name for name in names if "entry_1" in name or "never" in name}


def test_stopped_in_the_midst_it_begins_again(opened: Opened, old: Path) -> None:
    before = rows_of(old)
    seen = []

    def stopped(_: bytes, response: bytes) -> Described:
        seen.append(response)
        if len(seen) == 2:
            raise KeyboardInterrupt
        return Described()

    with pytest.raises(KeyboardInterrupt):
        open_log(old, describe=stopped)

    assert layout(old) == 1
    assert rows_of(old) == before
    assert asyncio.run(taken_over(opened).size()) == 4


def test_more_entries_than_fill_a_tile_are_taken_over(opened: Opened, old: Path) -> None:
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        columns = [name for name in rows_of(old)[0] if name != "position"]
        connection.execute("BEGIN")
        for position in range(3, 600):
            connection.execute(
                f"INSERT INTO entry SELECT ?, {', '.join(columns)} FROM entry WHERE position = 0",
                (position,),
            )
        connection.execute("COMMIT")

    store = taken_over(opened)

    leaves = [each.leaf for each in asyncio.run(everything(store))]
    assert len(leaves) == 601
    for again in (store, opened()):
        checkpoint = open_checkpoint(asyncio.run(again.checkpoint()), VERIFIER)
        assert checkpoint.root == root(map(leaf_hash, leaves)) == asyncio.run(again.root(601))


@pytest.fixture
def frozen(tmp_path: Path) -> Path:
    """A log of layout 2 (`freeze.py`): two times three answers, the last of each erased."""
    path = tmp_path / "log.db"
    path.write_bytes(gzip.decompress((FROZEN / "layout-2.db.gz").read_bytes()))
    return path


def test_a_log_of_layout_2_verifies_against_the_checkpoint_of_then(
    opened: Opened, frozen: Path
) -> None:
    store = opened(sealer=SEALER)
    note = (FROZEN / "layout-2.checkpoint").read_text(encoding="utf-8")
    kept = open_checkpoint(note, VERIFIER)

    found = asyncio.run(store.verify([kept]))

    assert frozen.exists()
    assert (found.finding, found.size, found.root) == (None, 8, kept.root)
    assert (found.erased, found.beyond) == (2, 0)
    assert asyncio.run(store.checkpoint()) == note  # Ed25519 signs a text in one way only


def test_a_log_of_layout_2_is_read_and_asked_again(opened: Opened, frozen: Path) -> None:
    logged = asyncio.run(everything(opened(sealer=SEALER)))
    entries = [each.entry for each in logged if each.entry and each.head.kind == RECOMMENDATION]

    assert frozen.exists()
    assert [each.entry is None for each in logged] == [False, False, True, False] * 2
    assert len(entries) == 4
    for each in entries:
        assert each.intact
        assert each.recorded == RECORDED
        assert (each.patient.rpartition("/")[2], each.origin) != ("", Origin())
        # Content and texts may have changed since: who is meant, and for when, has not.
        told = described(answered_today(each))
        assert told.patient == each.patient
        assert told.outcome


def answered_today(entry: Entry) -> bytes:
    service = Service(
        Library().named(entry.protocol),
        None,  # type: ignore[arg-type]
        base="http://cds-service.example/fhir",
        code_version="test",
    )
    return service.decide(entry.request, strict=entry.strict, now=entry.recorded)[0]


@pytest.fixture(params=[2, 3])
def layout_of(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def restored(database: str, layout_of: int) -> str:
    """A log of that layout in PostgreSQL (`freeze.py`): the same stories as in SQLite."""
    statements = gzip.decompress((FROZEN / f"layout-{layout_of}.sql.gz").read_bytes())
    with psycopg.connect(database) as connection:
        connection.execute(statements)
    return database


@pytest.mark.postgresql
def test_a_log_of_before_in_postgresql_verifies_against_the_checkpoint_of_then(
    connected: Callable[..., PostgresStore], restored: str, layout_of: int
) -> None:
    note = (FROZEN / f"layout-{layout_of}.sql.checkpoint").read_text(encoding="utf-8")
    kept = open_checkpoint(note, VERIFIER)
    looked_at = open_read_only(restored, SEALER)
    before = asyncio.run(
        looked_at.verify([kept])
    )  # an auditor, before it is brought to the last layout
    assert asyncio.run(looked_at.checkpoint()) == ""
    asyncio.run(looked_at.close())

    store = connected(sealer=SEALER)
    found = asyncio.run(store.verify([kept]))

    assert before == found
    assert (found.finding, found.size, found.root) == (None, 8, kept.root)
    assert (found.erased, found.beyond) == (2, 0)
    assert asyncio.run(store.checkpoint()) == note
    logged = asyncio.run(everything(store))
    assert [each.entry is None for each in logged] == [False, False, True, False] * 2
    told = [
        described(answered_today(each.entry))
        for each in logged
        if each.entry is not None and each.head.kind == RECOMMENDATION
    ]
    assert len(told) == 4
    assert all(each.outcome for each in told)
    append_all(store, [entry()])
    assert asyncio.run(store.verify([kept])).size == 9
