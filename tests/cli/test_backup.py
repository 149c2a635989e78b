"""backup: made while the service writes, whole, and good to go on with or to be shown."""

import asyncio
import gzip
import sqlite3
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.audit.sqlite_backup import back_up
from cds_service.errors import LogUnavailable
from tests.audit.conftest import append_all, entry
from tests.audit.tampering import disarm
from tests.logs import open_log

from .conftest import SIZE, Printed

FROZEN = Path(__file__).parents[1] / "audit" / "frozen"


def test_a_backup_is_a_log_that_verifies_and_goes_on(
    log: Path, tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "copy" / "log.db"
    copy.parent.mkdir()

    assert cli.main(["backup", str(copy)]) == 0
    assert capsys.readouterr().out.startswith(f"Entries in {copy}: {SIZE};")
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert [each.name for each in copy.parent.iterdir()] == ["log.db"]
    # Restored: the file in its place, the key (kept apart) beside it.
    (copy.parent / "log.db.key").write_bytes(Path(f"{log}.key").read_bytes())
    (copy.parent / "log.db.key").chmod(0o600)
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{copy}")
    assert cli.main(["verify-log"]) == 0
    assert cli.main(["erase", "--entry", "0", "--reason", "asked for"]) == 0
    assert cli.main(["verify-log"]) == 0


def test_nothing_is_overwritten(log: Path, tmp_path: Path, capsys: Printed) -> None:
    there = tmp_path / "there"
    there.write_bytes(b"something")

    assert log.exists()
    assert cli.main(["backup", str(there)]) == 1
    assert "cannot be made" in capsys.readouterr().err
    assert there.read_bytes() == b"something"
    assert cli.main(["backup", str(tmp_path / "no" / "folder")]) == 1


def test_of_postgresql_its_own_tools_make_one(
    monkeypatch: pytest.MonkeyPatch, capsys: Printed, tmp_path: Path
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", "postgresql://cds@db.example/log")

    assert cli.main(["backup", str(tmp_path / "copy")]) == 1
    assert "PostgreSQL's own tools" in capsys.readouterr().err


@contextmanager
def writing(path: Path) -> Iterator[list[int]]:
    """Appends without a pause, in a thread of its own; gives the size so far."""
    sizes, stop = [0], threading.Event()

    def work() -> None:
        store = open_log(path)
        while not stop.is_set():
            receipts = append_all(store, [entry(sizes[0] + at) for at in range(4)])
            sizes[0] = receipts[-1].index + 1
        asyncio.run(store.close())

    thread = threading.Thread(target=work)
    thread.start()
    yield sizes
    stop.set()
    thread.join()


def test_while_it_is_written_to_each_backup_is_the_log_of_one_moment(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    asyncio.run(open_log(path).close())
    found = []
    with writing(path) as sizes:
        for number in range(12):
            before = sizes[0]
            taken = back_up(path, tmp_path / f"copy-{number}")
            assert before <= taken.size <= sizes[0] + 4
            found.append(taken.size)

    assert found == sorted(found)
    assert found[-1] > 0
    # What a copy has is the beginning of what the log has.
    log = open_log(path)
    for number, size in enumerate(found):
        copy = open_log(tmp_path / f"copy-{number}")
        assert asyncio.run(copy.root(size)) == asyncio.run(log.root(size))
        asyncio.run(copy.close())
    asyncio.run(log.close())


def test_a_damaged_log_is_told_and_leaves_no_backup(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    store = open_log(path)
    append_all(store, [entry(number) for number in range(5)])
    asyncio.run(store.close())
    with sqlite3.connect(path) as connection:
        disarm(connection)
        connection.execute("DELETE FROM entry WHERE position = 2")
    connection.close()

    with pytest.raises(LogUnavailable, match="damaged at entry 2"):
        back_up(path, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()
    with pytest.raises(LogUnavailable, match="cannot be backed up"):
        back_up(tmp_path / "none.db", tmp_path / "copy")
    assert not (tmp_path / "copy").exists()


def test_a_log_of_layout_1_is_copied_while_its_service_is_stopped(tmp_path: Path) -> None:
    old = tmp_path / "log.db"
    old.write_bytes(gzip.decompress((FROZEN / "layout-1.db.gz").read_bytes()))

    with pytest.raises(
        LogUnavailable, match=r"has layout 1, .* stop the service and copy the file"
    ):
        back_up(old, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
