"""A log of a few stories for the commands, made once; each test gets a copy of its own."""

import asyncio
import os
import shutil
from functools import cache
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.audit.note import Verifier
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.settings import Settings
from tests import examples

Printed = pytest.CaptureFixture[str]

STORIES = (
    "01-fever-refer-or-treat",
    "06-infection-unlikely",
    "05-pneumonia-counted-twice",
    "02-convulsions-refer",
    "06-infection-unlikely",
)
NOTE = "23-blood-in-long-diarrhoea"
SIZE = len(STORIES) + 1


async def _fill(settings: Settings) -> None:
    service = settings.service()
    try:
        for story in STORIES:
            await service.recommend(examples.sent(story))
        await service.recommend(examples.sent(NOTE), note=True)
    finally:
        await service.store.close()


@pytest.fixture(scope="session")
def _recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded")
    asyncio.run(_fill(Settings(database_url=f"sqlite:///{folder}/log.db")))
    return folder


@pytest.fixture(autouse=True)
def log(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, _recorded: Path) -> Path:
    """The log's file: five recommendations and a referral note."""
    for name in [name for name in os.environ if name.startswith("CDS_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}/log.db")
    for path in _recorded.iterdir():
        shutil.copy(path, tmp_path)
    return tmp_path / "log.db"


@pytest.fixture
def folder(log: Path) -> Path:
    """The folder of the log; what the test calls `checked` for must leave it as it is."""
    return log.parent


@cache
def _content(edition: str, adaptation: str) -> Protocol:
    return load(edition=edition, adaptation=adaptation)


@pytest.fixture
def loaded_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The content is read once for all the tests that check settings."""
    monkeypatch.setattr(Settings, "content", lambda its: _content(its.edition, its.adaptation))


@pytest.fixture
def exported(log: Path, tmp_path: Path, capsys: Printed) -> Path:
    """The whole log as NDJSON."""
    path = tmp_path / "log.ndjson"
    assert cli.main(["export", "-o", str(path)]) == 0
    capsys.readouterr()
    return path


@pytest.fixture
def key() -> str:
    """The key that verifies the log, as `log-key` prints it."""
    return str(Settings.read().signer().verifier_keys[0])


@pytest.fixture
def verifier() -> Verifier:
    return Verifier(Settings.read().signer().verifier_keys)
