"""verify-log: in order, or the first bad entry by name; from the log and from an export."""

import asyncio
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.audit.keys import make_key
from cds_service.cli import verifying
from cds_service.settings import Settings
from tests import examples
from tests.postgresql.server import Server

from .conftest import SIZE, Printed


async def _checkpoint() -> str:
    service = Settings.read().service()
    try:
        return await service.store.checkpoint()
    finally:
        await service.store.close()


async def _more(story: str = "06-infection-unlikely") -> None:
    service = Settings.read().service()
    try:
        await service.recommend(examples.sent(story))
    finally:
        await service.store.close()


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A checkpoint of the log as it is, kept outside."""
    path = tmp_path / "kept"
    path.write_text(asyncio.run(_checkpoint()))
    return path


def altered(log: Path, statement: str) -> None:
    """Change the log as somebody would who owns the database."""
    with closing(sqlite3.connect(log)) as connection, connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in names.fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement)


def test_a_log_in_order_is_in_order(kept: Path, key: str, capsys: Printed) -> None:
    assert cli.main(["verify-log"]) == 0
    assert "only agrees with itself" in capsys.readouterr().out
    asyncio.run(_more())
    assert cli.main(["verify-log", "--checkpoint", str(kept)]) == 0
    assert (
        f"{SIZE + 1} entries, 0 of them erased, the first {SIZE} as in" in capsys.readouterr().out
    )
    assert cli.main(["verify-log", "--checkpoint", str(kept), "--new-only", "--key", key]) == 0
    out, err = capsys.readouterr()
    assert f"looked at from entry {SIZE} on" in out
    assert err == ""


def test_an_export_is_verified_without_the_log(
    exported: Path, kept: Path, key: str, log: Path, capsys: Printed
) -> None:
    log.unlink()
    for how in (["--key", key], ["--checkpoint", str(kept)]):
        assert cli.main(["verify-log", str(exported), *how]) == 0
        assert capsys.readouterr().out == f"In order: {SIZE} entries, 0 of them erased.\n"
    ended = subprocess.run(
        [sys.executable, "-m", "cds_service", "verify-log", "-", "--key", key],
        input=exported.read_bytes(),
        capture_output=True,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (0, b"")


def test_without_a_key_entries_after_the_kept_checkpoint_are_not_vouched_for(
    kept: Path, tmp_path: Path, capsys: Printed
) -> None:
    asyncio.run(_more())
    path = str(tmp_path / "more.ndjson")
    assert cli.main(["export", "-o", path]) == 0
    assert cli.main(["verify-log", path, "--checkpoint", str(kept)]) == 0
    assert f"Entries from {SIZE} on are not vouched for" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("statement", "position"),
    [
        ("UPDATE payload SET request = x'7b7d' WHERE position = 3", 3),
        ("DELETE FROM payload WHERE position = 2", 2),
        ("DELETE FROM entry WHERE position = 1", 1),
        (f"DELETE FROM entry WHERE position = {SIZE - 1}", SIZE - 1),
        ("UPDATE entry SET caller = 'other' WHERE position = 4", 4),
        ("UPDATE entry SET leaf = x'7b7d' WHERE position = 0", 0),
    ],
)
def test_the_first_bad_entry_is_named(
    statement: str, position: int, kept: Path, log: Path, capsys: Printed
) -> None:
    altered(log, statement)
    assert cli.main(["verify-log", "--checkpoint", str(kept)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"The log is not what it was. First bad entry {position}: ")


def test_an_altered_export_is_refused(exported: Path, key: str, capsys: Printed) -> None:
    lines = exported.read_bytes().splitlines(keepends=True)
    exported.write_bytes(b"".join([*lines[:2], *lines[3:]]))
    assert cli.main(["verify-log", str(exported), "--key", key]) == 1
    assert "First bad entry 2: entry 3 stands in the place" in capsys.readouterr().err


def test_an_export_of_another_log_is_refused(
    exported: Path, tmp_path: Path, capsys: Printed
) -> None:
    assert cli.main(["log-key", "--make", str(tmp_path / "other.key")]) == 0
    other = capsys.readouterr().out.strip()
    assert cli.main(["verify-log", str(exported), "--key", other]) == 1
    assert "no known key signed this" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        (["x.ndjson"], "A file alone proves nothing"),
        (["x.ndjson", "--watch", "--checkpoint", "y"], "not for a file"),
        (["x.ndjson", "--new-only", "--checkpoint", "y"], "not for a file"),
        (["--watch"], "--watch needs --checkpoint FILE"),
        (["--new-only"], "--new-only needs --checkpoint FILE"),
        (["--key", "nonsense"], "--key: a key to verify with has the form"),
        (["--checkpoint", "nowhere"], "nowhere: there is no such file"),
        (["nowhere.ndjson", "--key", "KEY"], "nowhere.ndjson: there is no such file"),
    ],
)
def test_a_question_that_cannot_be_answered_is_code_two(
    question: list[str], answer: str, key: str, capsys: Printed
) -> None:
    assert cli.main(["verify-log", *(each.replace("KEY", key) for each in question)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert answer in err


def test_what_was_kept_must_be_a_checkpoint(tmp_path: Path, key: str, capsys: Printed) -> None:
    for text in (b"", b"nonsense", b"\xff"):
        (tmp_path / "kept").write_bytes(text)
        assert cli.main(["verify-log", "--checkpoint", str(tmp_path / "kept")]) == 2
        assert "is no checkpoint of this log" in capsys.readouterr().err


def _watch(path: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "cds_service", "verify-log", "--watch", "1", "--checkpoint", path],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_watching_keeps_each_checkpoint_and_sees_that_the_log_only_grows(
    log: Path, tmp_path: Path
) -> None:
    path = tmp_path / "watched"
    watching = _watch(path)
    try:
        assert watching.stdout is not None
        assert f"in order: {SIZE} entries" in watching.stdout.readline()
        asyncio.run(_more())
        until = time.monotonic() + 30
        while f"\n{SIZE + 1}\n" not in path.read_text() and time.monotonic() < until:
            time.sleep(0.1)
        assert f"\n{SIZE + 1}\n" in path.read_text()
        altered(log, f"DELETE FROM entry WHERE position >= {SIZE - 2}")
        _, err = watching.communicate(timeout=30)
    finally:
        watching.kill()
    assert watching.returncode in (1, 2)
    assert "the log has" in err or "First bad entry" in err


@pytest.mark.postgresql
def test_watching_outlives_a_restart_of_the_database(
    postgresql: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    make_key(tmp_path / "key")
    monkeypatch.setenv("CDS_DATABASE_URL", postgresql.new_database())
    monkeypatch.setenv("CDS_LOG_KEY_FILE", str(tmp_path / "key"))
    asyncio.run(_more())
    told: list[str] = []

    async def sleep(_: float) -> None:
        told.append("".join(capsys.readouterr()))
        if len(told) == 1:
            postgresql.stop()
        elif len(told) == 2:
            postgresql.start()
        elif len(told) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(asyncio, "sleep", sleep)
    watch = ["verify-log", "--watch", "1", "--checkpoint", str(tmp_path / "seen")]

    assert cli.main(watch) == 130
    assert "in order: 1 entries" in told[0]
    assert "it is asked again" in told[1]
    assert "in order: 1 entries" in told[2]


def test_a_log_that_stays_away_ends_the_watching(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    async def sleep(_: float) -> None:
        log.rename(tmp_path / "elsewhere")

    monkeypatch.setattr(verifying, "_PATIENCE", 0)
    monkeypatch.setattr(asyncio, "sleep", sleep)

    assert cli.main(["verify-log", "--watch", "1", "--checkpoint", str(tmp_path / "seen")]) == 2
    assert "there is no audit log" in capsys.readouterr().err


def test_watching_goes_on_from_what_was_kept(log: Path, tmp_path: Path) -> None:
    path = tmp_path / "watched"
    path.write_text(asyncio.run(_checkpoint()))
    altered(log, "UPDATE payload SET request = x'7b7d' WHERE position = 3")
    watching = _watch(path)
    try:
        _, err = watching.communicate(timeout=60)
    finally:
        watching.kill()
    assert watching.returncode == 1
    assert "First bad entry 3" in err


def test_watching_looks_at_the_whole_log_from_time_to_time(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        assert not slept, "the second look found nothing"
        slept.append(seconds)
        # What is new is in order; only a look at all of it finds this.
        altered(log, "UPDATE payload SET request = x'7b7d' WHERE position = 1")

    monkeypatch.setattr(verifying, "_WHOLE", 0)
    monkeypatch.setattr(asyncio, "sleep", sleep)

    assert cli.main(["verify-log", "--watch", "--checkpoint", str(tmp_path / "watched")]) == 1
    assert "First bad entry 1: " in capsys.readouterr().err
