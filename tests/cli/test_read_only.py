"""Auditors need neither the key that signs nor permission to write: on SQLite and PostgreSQL."""

import asyncio
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import psycopg
import pytest

from cds_service import cli
from cds_service.audit.seal import Plain
from cds_service.audit.sqlite_read_only import open_read_only
from cds_service.errors import LogUnavailable
from cds_service.settings import Settings
from tests import examples
from tests.postgresql.server import Server

from .conftest import SIZE, Printed
from .test_verify_log import altered

UNVERIFIED = "Signatures were not checked"


@pytest.fixture
def away(log: Path, tmp_path: Path) -> Iterator[Path]:
    """The log without its key, in a folder in which nobody may write."""
    folder = tmp_path / "away"
    folder.mkdir()
    for name in ("log.db", "log.db.checkpoint"):
        shutil.copy(log.with_name(name), folder / name)
        (folder / name).chmod(0o444)
    folder.chmod(0o555)
    yield folder / "log.db"
    folder.chmod(0o755)


def asked(log: Path, *arguments: str) -> "subprocess.CompletedProcess[str]":
    """What a command says to somebody whom permissions bind."""
    return subprocess.run(
        [sys.executable, "-m", "tests.cli.without_privileges", *arguments],
        env={**os.environ, "CDS_DATABASE_URL": f"sqlite:///{log}"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_read_only_file_is_verified_exported_and_replayed_with_the_verifying_key(
    away: Path, tmp_path: Path, key: str
) -> None:
    before = {path.name: path.read_bytes() for path in away.parent.iterdir()}

    verified = asked(away, "verify-log", "--key", key)
    exported = asked(away, "export", "--key", key, "-o", str(tmp_path / "out"))
    replayed = asked(away, "replay", "--jobs", "1")

    assert (verified.returncode, verified.stderr) == (0, "")
    assert f"in order: {SIZE} entries, 0 of them erased" in verified.stdout
    assert "nothing vouches" not in verified.stdout
    assert (exported.returncode, exported.stderr) == (0, f"{SIZE} entries exported.\n")
    assert cli.main(["verify-log", str(tmp_path / "out"), "--key", key]) == 0
    assert (replayed.returncode, replayed.stderr) == (0, "")
    assert f"the same, byte for byte: {SIZE}" in replayed.stdout
    assert before == {path.name: path.read_bytes() for path in away.parent.iterdir()}


def test_the_verifying_key_may_be_a_setting(
    away: Path, key: str, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{away}")
    monkeypatch.setenv("CDS_LOG_VERIFIER", key)
    assert cli.main(["verify-log"]) == 0
    assert cli.main(["export"]) == 0
    assert UNVERIFIED not in capsys.readouterr().err
    monkeypatch.setenv("CDS_LOG_VERIFIER", "nonsense")
    assert cli.main(["verify-log"]) == 2
    assert "CDS_LOG_VERIFIER: should be the key that verifies" in capsys.readouterr().err


def test_without_any_key_it_is_said_that_signatures_were_not_checked(
    away: Path, tmp_path: Path
) -> None:
    verified = asked(away, "verify-log")
    exported = asked(away, "export", "-o", str(tmp_path / "out"))

    assert (verified.returncode, exported.returncode) == (3, 3)
    assert f"in order: {SIZE} entries" in verified.stdout
    assert UNVERIFIED in verified.stderr
    assert UNVERIFIED in exported.stderr
    assert asked(away, "export", "--format", "csv").returncode == 0  # nothing in it is signed


def test_without_any_key_what_was_altered_is_found_all_the_same(log: Path, tmp_path: Path) -> None:
    altered(log, "UPDATE payload SET request = x'7b7d' WHERE position = 3")
    log.with_name("log.db.key").rename(tmp_path / "safe")
    verified = asked(log, "verify-log")

    assert verified.returncode == 1
    assert "First bad entry 3: the payload is not the one" in verified.stderr


def test_another_key_is_told(away: Path, tmp_path: Path, capsys: Printed) -> None:
    assert cli.main(["log-key", "--make", str(tmp_path / "other")]) == 0
    other = capsys.readouterr().out.strip()
    for command in (["verify-log"], ["export", "-o", str(tmp_path / "out")]):
        told = asked(away, *command, "--key", other)
        assert told.returncode == 1
        assert "no known key signed this" in told.stderr
    assert not (tmp_path / "out").exists()


async def _recorded_while(log: Path, key: str, folder: Path) -> list[int]:
    """Exit codes of the commands while the service has the log open and records."""
    service = Settings.read().service()
    try:
        await service.recommend(examples.sent("06-infection-unlikely"))
        await asyncio.sleep(0.1)  # the answer is released before the checkpoint is kept
        commands = (
            ["verify-log", "--key", key],
            ["export", "--key", key, "-o", str(folder / "out")],
        )
        return [(await asyncio.to_thread(asked, log, *each)).returncode for each in commands]
    finally:
        await service.store.close()


def test_the_log_of_a_running_service_is_looked_at(log: Path, key: str, tmp_path: Path) -> None:
    assert asyncio.run(_recorded_while(log, key, tmp_path)) == [0, 0]
    assert (tmp_path / "out").read_bytes().count(b"\n") == SIZE + 2


def test_a_part_in_the_write_ahead_file_is_not_passed_over(log: Path, tmp_path: Path) -> None:
    folder = tmp_path / "away"
    folder.mkdir()
    with closing(sqlite3.connect(log)) as service:
        service.execute("SELECT COUNT(*) FROM entry").fetchone()
        service.execute("CREATE TABLE trial (only INTEGER PRIMARY KEY, filling BLOB)")
        for name in ("log.db", "log.db-wal"):
            shutil.copy(log.with_name(name), folder / name)
    folder.chmod(0o555)
    try:
        told = asked(folder / "log.db", "verify-log")
    finally:
        folder.chmod(0o755)
    assert told.returncode == 2
    assert "log.db-wal holds a part of it" in told.stderr
    assert "Copy both" in told.stderr


def test_what_is_written_to_meanwhile_is_not_believed(log: Path) -> None:
    looked_at = open_read_only(log, Plain())
    with pytest.raises(LogUnavailable, match="written to while it was read"):  # noqa: SIM117
        with looked_at._reading():
            altered(log, "DELETE FROM payload")


def test_no_log_is_told_and_none_is_made(tmp_path: Path) -> None:
    told = asked(tmp_path / "nowhere.db", "verify-log")
    assert told.returncode == 2
    assert "there is no audit log" in told.stderr
    assert not list(tmp_path.glob("nowhere*"))
    (tmp_path / "other.db").write_bytes(b"")
    assert "is no audit log" in asked(tmp_path / "other.db", "export").stderr


def test_encrypted_payloads_are_not_looked_at_without_their_key_and_that_is_said(
    log: Path, tmp_path: Path, key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "payload.key"
    secret.write_text("A" * 43 + "=\n")
    secret.chmod(0o600)
    other = tmp_path / "encrypted.db"
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{other}")
    monkeypatch.setenv("CDS_LOG_KEY_FILE", str(log.with_name("log.db.key")))
    monkeypatch.setenv("CDS_PAYLOAD_KEY_FILE", str(secret))
    assert cli.main(["recommend", "examples/06-infection-unlikely/request.json"]) == 0
    assert asked(other, "verify-log", "--key", key).returncode == 0
    monkeypatch.delenv("CDS_PAYLOAD_KEY_FILE")

    told = asked(other, "verify-log", "--key", key)

    assert told.returncode == 3
    assert "1 entries" in told.stdout
    assert "were not looked at: they are encrypted" in told.stderr
    exported = asked(other, "export", "--key", key)
    assert (exported.returncode, exported.stdout) == (1, "")
    assert "set CDS_PAYLOAD_KEY_FILE" in exported.stderr


ROLE = "log_auditor"


@pytest.fixture
def audited(
    postgresql: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> Iterator[tuple[str, str]]:
    """A log in PostgreSQL, its address for a role that may only read, and its verifying key."""
    own = postgresql.new_database()
    database = own.partition("@/")[2].partition("?")[0]
    postgresql.run(f"CREATE ROLE {ROLE} LOGIN")
    monkeypatch.setenv("CDS_DATABASE_URL", own)
    assert cli.main(["log-key", "--make", str(tmp_path / "pg.key")]) == 0
    key = capsys.readouterr().out.strip()
    monkeypatch.setenv("CDS_LOG_KEY_FILE", str(tmp_path / "pg.key"))
    assert cli.main(["recommend", "examples/06-infection-unlikely/request.json"]) == 0
    assert cli.main(["prepare-log", "--auditor", ROLE]) == 0
    capsys.readouterr()
    monkeypatch.delenv("CDS_LOG_KEY_FILE")
    monkeypatch.setenv("CDS_DATABASE_URL", postgresql.url(database, ROLE))
    yield postgresql.url(database, ROLE), key
    postgresql.run(f"DROP OWNED BY {ROLE}", database=database)
    postgresql.run(f"DROP ROLE {ROLE}")


@pytest.mark.postgresql
def test_a_role_with_select_only_verifies_exports_and_replays(
    audited: tuple[str, str], tmp_path: Path, capsys: Printed
) -> None:
    url, key = audited
    path = str(tmp_path / "out")
    assert cli.main(["verify-log", "--key", key]) == 0
    assert "in order: 1 entries" in capsys.readouterr().out
    assert cli.main(["export", "--key", key, "-o", path]) == 0
    assert cli.main(["verify-log", path, "--key", key]) == 0
    assert cli.main(["replay", "--jobs", "1"]) == 0
    assert "the same, byte for byte: 1" in capsys.readouterr().out
    assert cli.main(["verify-log"]) == 3
    assert UNVERIFIED in capsys.readouterr().err
    with psycopg.connect(url) as connection:
        for change in ("INSERT INTO cds_log.witness VALUES (1, '')", "DELETE FROM cds_log.payload"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
                connection.execute(change.encode())


@pytest.mark.postgresql
def test_a_database_without_a_log_is_told(
    postgresql: Server, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", postgresql.new_database())
    assert cli.main(["verify-log"]) == 2
    assert "there is no audit log in this database" in capsys.readouterr().err
