"""The auditor's commands on a log in PostgreSQL: the same as on one in SQLite."""

import asyncio
from pathlib import Path

import psycopg
import pytest

from cds_service import cli
from cds_service.settings import Settings
from tests import examples
from tests.postgresql.server import Server

from .conftest import Printed

STORIES = ("01-fever-refer-or-treat", "06-infection-unlikely", "02-convulsions-refer")
pytestmark = pytest.mark.postgresql


@pytest.fixture
def kept(
    postgresql: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> Path:
    """A log of three recommendations, and the file that its checkpoint is kept in."""
    monkeypatch.setenv("CDS_DATABASE_URL", postgresql.new_database())
    key = tmp_path / "postgresql.key"
    assert cli.main(["log-key", "--make", str(key)]) == 0
    monkeypatch.setenv("CDS_LOG_KEY_FILE", str(key))
    made = capsys.readouterr().out
    assert cli.main(["log-key"]) == 0
    assert capsys.readouterr().out == made
    path = tmp_path / "kept"
    path.write_text(asyncio.run(_fill()))
    return path


async def _fill() -> str:
    service = Settings.read().service()
    try:
        for story in STORIES:
            await service.recommend(examples.sent(story))
        return await service.store.checkpoint()
    finally:
        await service.store.close()


def test_a_log_in_postgresql_is_exported_verified_replayed_and_erased(
    kept: Path, tmp_path: Path, capsys: Printed
) -> None:
    path = str(tmp_path / "log.ndjson")
    assert cli.main(["erase", "--entry", "1", "--reason", "asked for"]) == 0
    assert cli.main(["export", "--output", path]) == 0
    for source in ([], [path]):
        assert cli.main(["verify-log", *source, "--checkpoint", str(kept)]) == 0
        assert "4 entries, 1 of them erased" in capsys.readouterr().out
        assert cli.main(["replay", *source]) == 0
        out = capsys.readouterr().out
        assert "the same, byte for byte: 2" in out
        assert "  erased: 1" in out
        assert cli.main(["replay", *source, "--against", "sick-young-infant|2014.1"]) == 1
    assert cli.main(["verify-log", "--checkpoint", str(kept), "--new-only"]) == 0
    assert cli.main(["replay", "--since", "2000-01-01"]) == 0
    assert cli.main(["export", "--format", "csv"]) == 0
    assert "\r\n3,erasure," in capsys.readouterr().out


def test_a_log_in_postgresql_that_was_altered_names_the_first_bad_entry(
    kept: Path, capsys: Printed
) -> None:
    with psycopg.connect(Settings.read().database_url) as connection:
        connection.execute("ALTER TABLE cds_log.payload DISABLE TRIGGER ALL")
        connection.execute("DELETE FROM cds_log.payload WHERE position = 1")
        connection.execute("ALTER TABLE cds_log.payload ENABLE TRIGGER ALL")
    assert cli.main(["verify-log", "--checkpoint", str(kept)]) == 1
    assert "First bad entry 1: the payload is missing" in capsys.readouterr().err
