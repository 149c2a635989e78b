"""What the service shows of itself before it is ready, and that each part of it can fail."""

import asyncio
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

import cds_service
from cds_service.audit.note import Signer
from cds_service.audit.sqlite import SqliteStore
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.errors import LogUnavailable, NotReady
from cds_service.service import Service
from cds_service.service import starting as module
from cds_service.service.starting import Starting
from cds_service.web.app import make_app
from tests.content.broken import PROTOCOL, changed, copied
from tests.logs import NAME, SIGNER, open_log
from tests.web.conftest import call_app

NOW = datetime(2026, 3, 2, 7, 45, tzinfo=UTC)
VIAL = ("medicines/gentamicin.yaml", "strength: [20 mg, 2 mL]", "strength: [18 mg, 2 mL]")
"""A change that `check-content` cannot know to be wrong: the dose comes out otherwise."""


@cache
def packaged() -> Protocol:
    return load()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    store = open_log(tmp_path / "log.db")
    yield store
    asyncio.run(store.close())


def serving(protocol: Protocol, store: Any) -> Service:
    base = "http://cds-service.example/fhir"
    return Service(protocol, store, base=base, code_version="1", clock=lambda: NOW)


def findings(service: Service) -> tuple[str, ...]:
    with pytest.raises(NotReady) as caught:
        asyncio.run(Starting(service).check())
    return caught.value.findings


def ready(service: Service) -> Any:
    answer = call_app(make_app(service), "GET", "/health/ready")
    assert (answer.status_code == 200) == (answer.json()["status"] == "pass")
    return answer.json()["checks"]


@pytest.mark.parametrize(("edition", "adaptation"), [("", ""), ("2014.1", ""), ("", "kestria")])
def test_every_packaged_content_gives_the_known_answer(
    store: SqliteStore, edition: str, adaptation: str
) -> None:
    service = serving(load(edition=edition, adaptation=adaptation), store)
    asyncio.run(Starting(service).check())
    assert asyncio.run(store.size()) == 0, "it is no entry of the log"


def test_a_changed_dose_is_found(tmp_path: Path, store: SqliteStore) -> None:
    service = serving(changed(tmp_path / "content", VIAL), store)
    (said,) = findings(service)
    assert said.startswith("known-case: known/2024.1.yaml: doses: ")
    assert "J01GB03 2.5 mL = 25 mg 1 a day for 7 days" in said.partition(" must come, ")[0]
    assert "J01GB03 2.8 mL = 25.2 mg 1 a day for 7 days" in said.partition(" must come, ")[2]
    checks = ready(service)
    assert checks["content"][0]["status"] == "fail"
    assert "must come" in checks["content"][0]["output"]
    assert checks["log"] == [{"status": "pass"}]


def test_a_changed_limit_is_found(tmp_path: Path, store: SqliteStore) -> None:
    edit = ("classifications.yaml", "at-least: 38.0 Cel", "at-least: 39.0 Cel")
    said = findings(serving(changed(tmp_path / "content", edit), store))
    assert any("classes: clinical-severe-infection" in each for each in said)


def test_content_without_a_known_case_is_not_ready(
    tmp_path: Path, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied(tmp_path / "content") / PROTOCOL
    (folder / "known/infant.json").unlink()
    monkeypatch.setattr(module, "packaged_folder", lambda _: folder)
    assert findings(serving(packaged(), store))[0].startswith("known-case: known/infant.json:1: ")


def test_an_infant_who_gets_no_answer_is_told_without_what_it_holds(
    tmp_path: Path, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied(tmp_path / "content", ("known/infant.json", "3.4", '"Orla"')) / PROTOCOL
    monkeypatch.setattr(module, "packaged_folder", lambda _: folder)
    (said,) = findings(serving(packaged(), store))
    assert "the known infant gets no answer (MalformedRequest)" in said
    assert "Orla" not in said


class _OtherKey(Signer):
    """Says that it has the keys of the tests, and signs with another one of the same name."""

    def sign(self, text: str) -> str:
        return Signer(NAME, [Ed25519PrivateKey.from_private_bytes(bytes(32))]).sign(text)


class _Damaged(Signer):
    """Under the right name and id, but the signatures are of something else."""

    def sign(self, text: str) -> str:
        return super().sign(f"{text}and more\n").replace("and more\n", "", 1)


@pytest.mark.parametrize(("signer", "said"), [(_OtherKey, "no known key"), (_Damaged, "is wrong")])
def test_a_key_whose_signatures_do_not_verify_is_found(
    tmp_path: Path, signer: type[Signer], said: str
) -> None:
    store = SqliteStore(tmp_path / "log.db", signer(NAME, SIGNER._keys))
    service = serving(packaged(), store)
    (found,) = findings(service)
    assert found.startswith("signing-key: what it signs does not verify: ")
    assert said in found
    assert ready(service)["signing-key"][0]["status"] == "fail"
    asyncio.run(store.close())


def test_a_log_that_takes_nothing_is_found_also_later(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse() -> None:
        raise LogUnavailable("the disk is full")

    starting = Starting(serving(packaged(), store))
    asyncio.run(starting.check())
    monkeypatch.setattr(store, "ready", refuse)
    with pytest.raises(NotReady, match="log: the disk is full"):
        asyncio.run(starting.check())


def test_a_log_whose_tree_is_not_the_signed_one_is_found(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def other(_: int) -> bytes:
        return bytes(32)

    monkeypatch.setattr(store, "root", other)
    (found,) = findings(serving(packaged(), store))
    assert found.startswith("log: what was signed is not what is stored")


def test_it_does_not_start_with_a_changed_content(tmp_path: Path) -> None:
    package = Path(cds_service.__file__).parent
    shutil.copytree(package, tmp_path / package.name, ignore=shutil.ignore_patterns("__pycache__"))
    file = tmp_path / package.name / "protocols" / PROTOCOL / VIAL[0]
    file.write_text(file.read_text().replace(*VIAL[1:]))
    clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
    settings = {"PYTHONPATH": str(tmp_path), "CDS_DATABASE_URL": f"sqlite:///{tmp_path}/log.db"}
    ended = subprocess.run(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
        env=clean | settings, cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 1
    assert ended.stdout == ""
    assert "The service is not fit to answer and does not start" in ended.stderr
    assert "known/2024.1.yaml: doses:" in ended.stderr
    assert "Traceback" not in ended.stderr
