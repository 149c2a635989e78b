"""A log that cannot record says so: no entry is acknowledged, it is not ready, and it recovers."""

import asyncio
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from cds_service.audit import sqlite_layout
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.sqlite_file import TRIAL_BYTES
from cds_service.errors import LogUnavailable
from tests.logs import entry_at

from .conftest import entry

Opened = Callable[..., SqliteStore]


def append(store: SqliteStore, number: int = 1, size: int = 100) -> int:
    return asyncio.run(store.append(entry(number, size))).index


@contextmanager
def full_disk(limit: int = 200_000) -> Iterator[None]:
    """No file of this process may grow beyond `limit`: SQLite then meets a failing write."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_gives_no_answer_and_the_log_recovers(opened: Opened) -> None:
    store = opened()
    append(store, 1)

    async def two_at_once() -> list[int | BaseException]:
        big = [store.append(entry(number, 300_000)) for number in (2, 3)]
        return await asyncio.gather(*big, return_exceptions=True)

    with full_disk():
        refused = asyncio.run(two_at_once())

    assert [type(outcome) for outcome in refused] == [LogUnavailable, LogUnavailable]
    assert append(store, 4, 300_000) == 1
    assert entry_at(store, 1) == entry(4, 300_000)


def test_a_log_that_fails_is_told_once_and_again_when_it_works(
    opened: Opened, caplog: pytest.LogCaptureFixture
) -> None:
    store = opened()

    def refused() -> None:
        for number in range(5):
            with pytest.raises(LogUnavailable):
                append(store, number)

    with full_disk(0):
        refused()
    append(store)
    append(store)
    with full_disk(0):
        refused()
    asyncio.run(store.close())

    ours = [record for record in caplog.records if record.name.startswith("cds_service")]
    told = [record.getMessage() for record in ours]
    assert len(told) == 4
    assert ["fails" in line for line in told] == [True, False, True, True]
    assert told[1] == "audit log: works again; 5 entries were not recorded"
    assert told[3] == "audit log: closed while it fails; 5 entries were not recorded"


def test_another_process_that_holds_the_file_too_long(opened: Opened, tmp_path: Path) -> None:
    store = opened(wait=0.05)
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogUnavailable):
            append(store)
        with pytest.raises(LogUnavailable):
            asyncio.run(store.ready())

    asyncio.run(store.ready())
    assert append(store) == 0


def test_a_log_that_was_removed_takes_nothing(opened: Opened, tmp_path: Path) -> None:
    store = opened()
    append(store)
    (tmp_path / "log.db").unlink()

    with pytest.raises(LogUnavailable):
        append(store)
    with pytest.raises(LogUnavailable):
        asyncio.run(store.size())


def test_a_log_that_was_replaced_takes_nothing(opened: Opened, tmp_path: Path) -> None:
    store = opened()
    append(store)
    opened("other.db")
    (tmp_path / "other.db").replace(tmp_path / "log.db")

    with pytest.raises(LogUnavailable):
        append(store)


def test_readiness_records_nothing(opened: Opened) -> None:
    store = opened()
    asyncio.run(store.ready())

    assert asyncio.run(store.size()) == 0
    assert store.commits == 0


def test_a_full_disk_is_not_ready_and_recovers_by_itself(opened: Opened) -> None:
    store = opened()
    append(store)

    with full_disk(0):
        for _ in range(2):
            with pytest.raises(LogUnavailable):
                asyncio.run(store.ready())

    asyncio.run(store.ready())
    assert append(store, 2) == 1


def test_a_disk_with_room_for_less_than_an_entry_is_not_ready(opened: Opened) -> None:
    store = opened()

    with full_disk(50_000), pytest.raises(LogUnavailable):
        asyncio.run(store.ready())


def test_a_failed_entry_overrules_that_the_log_was_just_ready(opened: Opened) -> None:
    store = opened()
    asyncio.run(store.ready())

    with full_disk(0):
        with pytest.raises(LogUnavailable):
            append(store)
        with pytest.raises(LogUnavailable):
            asyncio.run(store.ready())


def test_readiness_writes_once_however_often_it_is_asked(opened: Opened, tmp_path: Path) -> None:
    store = opened()

    async def often() -> None:
        for _ in range(50):
            await store.ready()

    asyncio.run(often())
    assert (tmp_path / "log.db-wal").stat().st_size < 10 * TRIAL_BYTES


def test_a_log_of_before_without_the_trial_table_stays_in_use(
    opened: Opened, tmp_path: Path
) -> None:
    first = opened()
    append(first)
    asyncio.run(first.close())
    with closing(sqlite3.connect(tmp_path / "log.db")) as old:
        tables = {name for (name,) in old.execute("SELECT name FROM sqlite_master")}
        assert "trial" not in tables

    store = opened()
    asyncio.run(store.ready())

    assert entry_at(store, 0) == entry()
    assert append(store, 2) == 1


def test_a_log_on_a_full_disk_can_still_be_read(opened: Opened) -> None:
    first = opened()
    append(first)
    asyncio.run(first.close())

    with full_disk(40_000):
        store = opened()
        assert entry_at(store, 0) == entry()
        with pytest.raises(LogUnavailable):
            asyncio.run(store.ready())


def test_too_many_waiting_entries_are_refused(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cds_service.audit import writer

    monkeypatch.setattr(writer, "WAITING", 0)

    with pytest.raises(LogUnavailable, match="keep up"):
        append(opened())


def test_a_fault_is_told_without_what_was_sent(
    opened: Opened, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = opened()
    named = replace(entry(), patient="Patient/orla-fenn", key="orla-key")

    def faulty(*given: object) -> None:
        raise ValueError(str(given))

    with monkeypatch.context() as patched:
        patched.setattr(sqlite_layout, "insert", faulty)
        with pytest.raises(LogUnavailable) as refused:
            asyncio.run(store.append(named))
    asyncio.run(store.append(named))
    with full_disk(0), pytest.raises(LogUnavailable) as full:
        asyncio.run(store.append(replace(named, key="orla-key-2")))

    assert "ValueError" in caplog.text
    assert "orla" not in caplog.text + str(refused.value) + str(full.value)
