"""The SQLite log: exact, ordered, append-only, durable, and it says so when it is not."""

import asyncio
import dataclasses
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from cds_service.audit.record import digest
from cds_service.audit.rows import EntryRow, Item, PayloadRow, item_of
from cds_service.audit.seal import Plain
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Query, Receipt
from cds_service.errors import LogUnavailable
from tests.logs import entry_at, open_log

from .conftest import entry

Opened = Callable[..., SqliteStore]


def append(store: SqliteStore, number: int = 1, size: int = 100) -> int:
    return asyncio.run(store.append(entry(number, size))).index


def test_an_entry_comes_back_exactly_as_it_went_in(opened: Opened) -> None:
    odd = bytes(range(256)) + "3.40 ½ \u2028".encode()
    put = dataclasses.replace(entry(), request=odd, request_sha256=digest(odd), strict=True)
    store = opened()

    index = asyncio.run(store.append(put)).index

    assert entry_at(store, index) == put


def test_positions_begin_at_zero_and_have_no_gap(opened: Opened) -> None:
    store = opened()

    assert [append(store, number) for number in range(4)] == [0, 1, 2, 3]
    assert asyncio.run(store.size()) == 4


@pytest.mark.parametrize("index", [-1, 1, 2**63, 2**80])
def test_no_entry_where_there_is_none(opened: Opened, index: int) -> None:
    store = opened()
    append(store)

    assert asyncio.run(store.get(index)) is None


def test_one_decision_may_have_several_entries(opened: Opened) -> None:
    store = opened()
    for number in (7, 8, 7):
        append(store, number)

    found = asyncio.run(store.find(Query(decision_id="decision-7")))

    assert [(each.index, each.entry) for each in found] == [(2, entry(7)), (0, entry(7))]


def test_an_entry_knows_when_its_bytes_were_altered() -> None:
    assert entry().intact
    assert not dataclasses.replace(entry(), request=b"{}").intact
    assert not dataclasses.replace(entry(), response=b"{}").intact


def test_the_entry_is_on_disk_before_append_returns(opened: Opened, tmp_path: Path) -> None:
    store = opened()

    async def seen_by_another_connection() -> int:
        index = (await store.append(entry())).index
        with closing(sqlite3.connect(tmp_path / "log.db")) as other:
            return other.execute("SELECT COUNT(*) FROM entry").fetchone()[0] - index

    assert asyncio.run(seen_by_another_connection()) == 1


def test_every_connection_is_wal_and_full(opened: Opened, tmp_path: Path) -> None:
    from cds_service.audit import sqlite_file

    opened()
    with closing(sqlite_file.connect(tmp_path / "log.db", 1)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA secure_delete").fetchone() == (1,)
        assert connection.execute("PRAGMA temp_store").fetchone() == (2,)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE entry SET leaf = x'00'",
        "DELETE FROM entry",
        "REPLACE INTO entry SELECT * FROM entry WHERE position = 0",
        f"INSERT INTO entry SELECT 9, {', '.join(EntryRow._fields)} FROM entry",
        "UPDATE payload SET response = x'00'",
        "REPLACE INTO payload SELECT * FROM payload WHERE position = 0",
        f"INSERT INTO payload SELECT 9, {', '.join(PayloadRow._fields)} FROM payload",
        "UPDATE tile SET hashes = x'00'",
        "DELETE FROM tile",
        "REPLACE INTO tile SELECT * FROM tile",
    ],
)
def test_what_is_recorded_cannot_be_changed(opened: Opened, tmp_path: Path, change: str) -> None:
    store = opened()

    async def a_tile_full() -> None:
        await asyncio.gather(*(store.append(entry(number)) for number in range(256)))

    asyncio.run(a_tile_full())
    with (
        closing(sqlite3.connect(tmp_path / "log.db")) as other,
        pytest.raises(sqlite3.IntegrityError, match="append-only"),
    ):
        other.execute(change)


def test_entries_that_wait_together_share_a_commit(opened: Opened) -> None:
    store = opened()

    async def together() -> list[int]:
        receipts = (store.append(entry(number)) for number in range(500))
        return [receipt.index for receipt in await asyncio.gather(*receipts)]

    positions = asyncio.run(together())

    assert sorted(positions) == list(range(500))
    assert store.commits <= 50
    for position, number in enumerate(positions[:20]):
        found = entry_at(store, number)
        assert found == entry(position)


def test_entries_of_two_event_loops_are_both_answered(opened: Opened) -> None:
    store = opened()

    async def both() -> tuple[int, int]:
        here = asyncio.create_task(store.append(entry(1)))
        there = asyncio.to_thread(asyncio.run, store.append(entry(2)))
        return (await here).index, (await there).index

    assert sorted(asyncio.run(both())) == [0, 1]


def test_a_caller_that_gave_up_does_not_disturb_the_others(opened: Opened) -> None:
    store = opened()

    async def one_gives_up() -> int:
        first = asyncio.create_task(store.append(entry(1)))
        second = asyncio.create_task(store.append(entry(2)))
        await asyncio.sleep(0)
        first.cancel()
        return (await second).index

    assert asyncio.run(one_gives_up()) == 1
    assert asyncio.run(store.size()) == 2


def test_the_file_and_its_folder_are_private(opened: Opened, tmp_path: Path) -> None:
    opened("new/folder/log.db")

    assert stat.S_IMODE((tmp_path / "new/folder/log.db").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "new/folder").stat().st_mode) == 0o700


def test_a_log_is_found_again_after_a_restart(opened: Opened) -> None:
    first = opened()
    append(first, 1)
    asyncio.run(first.close())

    assert append(opened(), 2) == 1


def test_two_processes_share_one_log(opened: Opened, tmp_path: Path) -> None:
    store = opened()
    script = Path(__file__).with_name("writing.py")
    others = [
        subprocess.Popen(
            [sys.executable, str(script), str(tmp_path / "log.db"), "20"], stdout=subprocess.PIPE
        )
        for _ in range(2)
    ]
    mine = [append(store, number) for number in range(20)]
    theirs = [int(line) for other in others for line in other.communicate()[0].split()]

    assert [other.returncode for other in others] == [0, 0]
    assert sorted(mine + theirs) == list(range(60))


def test_a_new_file_that_another_process_just_opens_is_waited_for(
    opened: Opened, tmp_path: Path
) -> None:
    with closing(
        sqlite3.connect(tmp_path / "log.db", isolation_level=None, check_same_thread=False)
    ) as other:
        other.execute("BEGIN")
        other.execute("SELECT * FROM sqlite_master").fetchall()
        with pytest.raises(LogUnavailable, match="locked"):
            opened(wait=0.05)
        threading.Timer(0.2, other.execute, ["COMMIT"]).start()

        assert append(opened(wait=10)) == 0


def test_two_that_open_a_new_file_at_once_are_not_told_of_a_deadlock(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SQLite does so once in some hundred times, without waiting; here it does so each time.
    real = sqlite3.connect
    refusals = iter(range(3))

    class InTheWay(sqlite3.Connection):
        def execute(self, statement: str, *values: object) -> sqlite3.Cursor:
            if "= WAL" in statement and next(refusals, None) is not None:
                error = sqlite3.OperationalError("database is locked")
                error.sqlite_errorcode = sqlite3.SQLITE_BUSY
                raise error
            return super().execute(statement, *values)

    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: real(*a, factory=InTheWay, **k))

    assert append(opened()) == 0


def test_nothing_is_taken_after_closing(opened: Opened) -> None:
    store = opened()
    asyncio.run(store.close())
    asyncio.run(store.close())

    with pytest.raises(LogUnavailable, match="closed"):
        append(store)


def test_what_waits_at_closing_is_still_recorded(opened: Opened) -> None:
    store = opened()

    async def close_behind_an_entry() -> int:
        waiting = asyncio.create_task(store.append(entry()))
        await asyncio.sleep(0)
        await store.close()
        return (await waiting).index

    assert asyncio.run(close_behind_an_entry()) == 0


def test_a_file_of_another_layout_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "log.db")) as other:
        other.execute("PRAGMA user_version = 99")

    with pytest.raises(LogUnavailable, match="layout 99"):
        open_log(tmp_path / "log.db")


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "log.db")) as other:
        other.execute("CREATE TABLE stock (tablets INTEGER)")

    with pytest.raises(LogUnavailable, match="something else"):
        open_log(tmp_path / "log.db")


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "log.db").write_text("not a database, but long enough to look at " * 40)

    with pytest.raises(LogUnavailable, match="cannot be opened"):
        open_log(tmp_path / "log.db")


def test_a_folder_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(LogUnavailable, match="cannot be opened"):
        open_log(tmp_path)


def test_a_file_that_cannot_be_made_durable_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A file system without shared memory stays in the old journal mode: SQLite says so.
    real = sqlite3.connect

    class Journalling(sqlite3.Connection):
        def execute(self, statement: str, *values: object) -> sqlite3.Cursor:
            return super().execute(statement.replace("= WAL", "= DELETE"), *values)

    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: real(*a, factory=Journalling, **k))

    with pytest.raises(LogUnavailable, match="journal_mode=delete"):
        open_log(tmp_path / "log.db")


def test_an_event_loop_that_has_ended_does_not_stop_the_log(opened: Opened) -> None:
    from cds_service.audit.writer import GroupWriter

    begun, go_on = threading.Event(), threading.Event()

    def slow(items: Sequence[Item]) -> Sequence[Receipt]:
        begun.set()
        go_on.wait()
        return [Receipt(0, "") for _ in items]

    writer = GroupWriter(slow, lambda: None)

    async def give_up() -> None:
        waiting = asyncio.create_task(writer.append(item_of(entry(), Plain())))
        await asyncio.to_thread(begun.wait)
        waiting.cancel()

    asyncio.run(give_up())
    go_on.set()

    assert asyncio.run(writer.append(item_of(entry(), Plain()))) == Receipt(0, "")
    asyncio.run(writer.close())
