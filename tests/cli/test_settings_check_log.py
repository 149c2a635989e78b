"""settings --check on a log in a file: its keys, its layout, its disk, who may write it."""

import asyncio
import gzip
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cds_service.settings import Settings
from tests import examples
from tests.access.tokens import client

from .checking import FROZEN, Told, by_whom_permissions_bind, checked, fault, files, with_issuers
from .conftest import SIZE, Printed

pytestmark = pytest.mark.usefixtures("loaded_once")


async def _while_served(log: Path) -> Told:
    service = Settings.read().service()
    try:
        await service.recommend(examples.sent("06-infection-unlikely"))
        await asyncio.sleep(0.1)  # the answer is released before the checkpoint is kept
        before = files(log.parent)
        told = await asyncio.to_thread(by_whom_permissions_bind, log)
        assert {"log.db-wal", "log.db-shm"} <= {Path(path).name for path in before}
        assert files(log.parent) == before
        return Told(told.returncode, told.stdout, told.stderr)
    finally:
        await service.store.close()


def test_a_running_service_is_left_alone(log: Path) -> None:
    told = asyncio.run(_while_served(log))

    assert (told.code, told.wrong) == (0, "")
    assert f"{SIZE + 1} entries" in told.right


def test_a_log_that_was_killed_is_left_as_it_is(log: Path, folder: Path, capsys: Printed) -> None:
    with closing(sqlite3.connect(log)) as service:
        service.execute("CREATE TABLE trial (only INTEGER PRIMARY KEY, filling BLOB)")
        for name in ("log.db", "log.db-wal", "log.db-shm"):
            shutil.copy(log.with_name(name), folder / f"left-{name}")
    for path in folder.glob("left-*"):
        path.rename(folder / path.name.removeprefix("left-"))

    assert f"{SIZE} entries" in checked(folder, capsys).right
    # Without it SQLite would make it again, to read what is in the write-ahead file.
    (folder / "log.db-shm").unlink()
    assert "only a start takes in: neither its layout nor" in checked(folder, capsys).right


def test_a_lost_key_is_not_taken_for_one_that_is_to_be_made(folder: Path, capsys: Printed) -> None:
    (folder / "log.db.key").unlink()
    assert "signing key: " in (said := fault(folder, capsys))
    assert "log.db.key: cannot be read: No such file or directory" in said


def test_payloads_whose_key_is_not_named_are_told(
    folder: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = folder / "payload.key"
    secret.write_text("A" * 43 + "=\n")
    secret.chmod(0o600)
    monkeypatch.setenv("CDS_PAYLOAD_KEY_FILE", str(secret))
    asyncio.run(_record())
    told = checked(folder, capsys)
    assert f"right  payload key: {secret}\n" in told.right
    monkeypatch.delenv("CDS_PAYLOAD_KEY_FILE")
    assert fault(folder, capsys).startswith("log: the payloads of the log are encrypted under a")


async def _record() -> None:
    service = Settings.read().service()
    await service.recommend(examples.sent("06-infection-unlikely"))
    await service.store.close()


def test_an_older_copy_of_the_log_is_told(log: Path, folder: Path, capsys: Printed) -> None:
    shutil.copy(log, folder / "older")
    asyncio.run(_record())
    (folder / "older").rename(log)
    assert "entries, and 7 were signed for" in fault(folder, capsys)


@pytest.mark.parametrize("also", ["log.db", "log.db.key"])
def test_a_log_that_is_gone_is_not_taken_for_one_that_is_to_be_made(
    log: Path, folder: Path, capsys: Printed, also: str
) -> None:
    for name in {"log.db", also}:
        (folder / name).unlink()
    assert "was signed for a log that is not here: put that one back" in fault(folder, capsys)
    log.write_bytes(b"")
    assert "was signed for a log that is not here" in fault(folder, capsys)
    log.write_bytes(gzip.decompress((FROZEN / "layout-1.db.gz").read_bytes()))
    assert "was signed for a log that is not here" in fault(folder, capsys)
    (folder / "log.db.checkpoint").write_bytes(b"\xff")
    assert "log.db.checkpoint is no checkpoint of the log" in fault(folder, capsys)


def test_a_log_without_its_triggers_is_told(log: Path, folder: Path, capsys: Printed) -> None:
    with closing(sqlite3.connect(log)) as connection:
        connection.execute("DROP TRIGGER payload_update")
    assert "are missing or changed (1)" in fault(folder, capsys)


def test_a_log_of_layout_1_is_not_brought_to_the_one_of_now(
    log: Path, folder: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    log.with_name("log.db.checkpoint").unlink()
    log.write_bytes(gzip.decompress((FROZEN / "layout-1.db.gz").read_bytes()))
    told = checked(folder, capsys)
    assert "log.db: layout 1: serve brings it to layout 2, after which" in told.right
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9, 8, 1 << 20))
    assert "has 1024 kB free, and 1" in fault(folder, capsys, likewise=False)


def test_a_full_disk_is_told(
    folder: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9, 8, 1000))
    said = fault(folder, capsys, likewise=False)
    assert said == f"log: the disk of {folder} has 0 kB free, and 1024 are needed"


def made(path: Path, statement: str) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(statement)


def test_what_is_no_log_is_told(
    log: Path, folder: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(log, "CREATE TABLE other (x)")
    assert "is a database of something else" in fault(folder, capsys)
    made(log, "PRAGMA user_version = 9")
    assert "has layout 9, this program writes layout 2" in fault(folder, capsys)
    log.write_bytes(b"no database at all, but long enough to look like one" * 100)
    assert "file is not a database" in fault(folder, capsys)
    log.write_bytes(b"")
    log.with_name("log.db.checkpoint").unlink()
    assert "log.db: an empty file: serve makes the log in it" in checked(folder, capsys).right
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{log}/in/a/file.db")
    assert "is a file, and a folder is needed" in checked(folder, capsys).wrong


def test_what_this_user_may_not_write_is_told(
    log: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_issuers(folder, monkeypatch, client())
    (folder / "log.db.tokens").write_bytes(b"")
    for path in (log, folder / "log.db.tokens"):
        path.chmod(0o400)
    folder.chmod(0o500)
    try:
        told = by_whom_permissions_bind(log)
        new = by_whom_permissions_bind(folder / "new.db")
    finally:
        folder.chmod(0o700)
    assert (told.returncode, new.returncode) == (1, 1)
    for each in ("log.db cannot be written", "log.db.tokens cannot be written", "in the folder "):
        assert each in told.stderr
    assert f"in the folder {folder} this user cannot write" in new.stderr
    assert "Traceback" not in told.stderr + new.stderr


def test_a_folder_that_this_user_may_not_look_into_stops_no_other_part(
    log: Path, folder: Path, tmp_path: Path
) -> None:
    """As systemd has the folder of a service with DynamicUser: a link into one of root's."""
    closed = tmp_path / "private"
    closed.mkdir()
    (tmp_path / "seen").symlink_to(closed / "inside")
    (closed / "inside").mkdir()
    closed.chmod(0)
    try:
        told = by_whom_permissions_bind(tmp_path / "seen/log.db")
    finally:
        closed.chmod(0o700)
    assert told.returncode == 1
    assert "log.db cannot be read: Permission denied" in told.stderr
    assert "right  host: 127.0.0.1" in told.stdout
