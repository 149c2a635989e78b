"""A log whose triggers are not as they were made is not gone on with until it was verified."""

import asyncio
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.cli import main
from cds_service.errors import LogUnavailable
from tests.logs import open_log

from .conftest import append_all, entry, erasure

Opened = Callable[..., SqliteStore]
Printed = pytest.CaptureFixture[str]
CHANGES = {
    "one is dropped": "DROP TRIGGER payload_update",
    "all are dropped": "DROP TRIGGER entry_update; DROP TRIGGER entry_delete;"
    "DROP TRIGGER entry_insert; DROP TRIGGER payload_update; DROP TRIGGER payload_insert;"
    "DROP TRIGGER tile_update; DROP TRIGGER tile_delete; DROP TRIGGER tile_insert;"
    "DROP TRIGGER incoming_entry; DROP TRIGGER incoming_tile",
    "one says something else": "DROP TRIGGER entry_delete; CREATE TRIGGER entry_delete"
    " BEFORE DELETE ON entry BEGIN SELECT 1; END",
    "one is added": "CREATE TRIGGER other AFTER INSERT ON entry"
    " BEGIN DELETE FROM payload WHERE position = NEW.position; END",
}


@pytest.fixture
def log(opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    store = opened()
    append_all(store, [entry(number) for number in range(3)])
    asyncio.run(store.erase(1, erasure(1)))
    asyncio.run(store.close())
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}/log.db")
    return tmp_path / "log.db"


def changed(log: Path, statements: str) -> None:
    with closing(sqlite3.connect(log)) as connection:
        connection.executescript(statements)


@pytest.mark.parametrize("what", CHANGES)
def test_it_is_refused_and_said_what_to_do(
    log: Path, opened: Opened, what: str, capsys: Printed
) -> None:
    assert asyncio.run(opened().size()) == 4
    changed(log, CHANGES[what])

    with pytest.raises(LogUnavailable, match="prepare-log --triggers"):
        open_log(log)

    assert main(["verify-log"]) == 3  # an auditor can look at it; nothing signed is verified here
    assert main(["prepare-log", "--triggers"]) == 0
    assert "4 entries are in order" in capsys.readouterr().out
    again = opened()
    append_all(again, [entry(7)])
    assert asyncio.run(again.size()) == 5
    with closing(sqlite3.connect(log)) as connection:
        for statement in ("DELETE FROM entry", "UPDATE payload SET salt = x'00'"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                connection.execute(statement)


def test_they_are_not_made_again_over_an_altered_log(log: Path, capsys: Printed) -> None:
    changed(log, "DROP TRIGGER payload_update; UPDATE payload SET request = x'7b7d'")

    assert main(["prepare-log", "--triggers"]) == 1
    assert "entry 0: the payload is not the one" in capsys.readouterr().err
    with pytest.raises(LogUnavailable, match="triggers"):
        open_log(log)


def test_while_it_runs_the_next_connection_sees_it(log: Path, opened: Opened) -> None:
    store = opened()
    changed(log, CHANGES["one is dropped"])
    with pytest.raises(LogUnavailable):
        append_all(store, [entry(4)])


def test_it_is_for_sqlite(monkeypatch: pytest.MonkeyPatch, capsys: Printed) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", "postgresql://nobody@nowhere.example/log")
    assert main(["prepare-log", "--triggers"]) == 1
    assert "SQLite" in capsys.readouterr().err
