"""The whole service with its log in PostgreSQL: two replicas over HTTP, the database restarted."""

import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.keys import make_key
from cds_service.audit.postgres_session import SCHEMA
from cds_service.cli import main
from tests.postgresql.server import Server
from tests.web.sample import PATH, body

pytestmark = pytest.mark.postgresql
HEADERS = {"content-type": "application/fhir+json"}


@pytest.fixture(autouse=True)
def _settings(postgresql: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_key(tmp_path / "log.key")
    monkeypatch.setenv("CDS_DATABASE_URL", postgresql.url("postgres"))
    monkeypatch.setenv("CDS_LOG_KEY_FILE", str(tmp_path / "log.key"))


@pytest.fixture
def replicas(postgresql: Server) -> Iterator[list[str]]:
    """The addresses of two services on one database."""
    processes = [
        subprocess.Popen(
            [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        for _ in range(2)
    ]
    try:
        yield [address_of(process) for process in processes]
    finally:
        for process in processes:
            process.kill()
            process.communicate()
        postgresql.run(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")


def address_of(process: "subprocess.Popen[str]") -> str:
    assert process.stdout
    found = re.search(r"http://\S+:\d+", process.stdout.readline())
    assert found
    return found[0]


def posted(address: str) -> httpx.Response:
    return httpx.post(address + PATH, content=body(), headers=HEADERS, timeout=30)


def size_told(answer: httpx.Response) -> int:
    return Checkpoint.parse(answer.text.split("\n\n")[0] + "\n").size


def test_two_replicas_answer_from_one_log(replicas: list[str]) -> None:
    answers = [posted(replicas[number % 2]) for number in range(6)]

    assert [answer.status_code for answer in answers] == [200] * 6
    assert [answer.headers["cds-log-index"] for answer in answers] == list("012345")
    for address in replicas:
        assert httpx.get(address + "/health/ready").status_code == 200
        assert size_told(httpx.get(address + "/log/checkpoint")) == 6


def test_the_commands_for_auditors_work_on_it(
    replicas: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(3):
        posted(replicas[0])

    assert main(["verify-log"]) == 0
    assert main(["replay"]) == 0
    assert main(["export", "--output", str(tmp_path / "log.ndjson")]) == 0
    told = capsys.readouterr()
    assert "3 " in told.out
    assert len((tmp_path / "log.ndjson").read_bytes().splitlines()) >= 3


def test_while_the_database_is_restarted_callers_are_told_to_come_back(
    postgresql: Server, replicas: list[str]
) -> None:
    answers: list[httpx.Response] = []
    stopped = threading.Event()

    def client(address: str) -> None:
        while not stopped.is_set():
            answers.append(posted(address))

    threads = [threading.Thread(target=client, args=[address]) for address in replicas * 2]
    for thread in threads:
        thread.start()
    try:
        for _ in range(2):
            time.sleep(0.5)
            postgresql.stop("immediate")
            time.sleep(0.3)
            postgresql.start()
        time.sleep(1)
    finally:
        stopped.set()
        for thread in threads:
            thread.join()

    refused = [answer for answer in answers if answer.status_code != 200]
    indexes = [int(answer.headers["cds-log-index"]) for answer in answers if answer not in refused]
    assert {answer.status_code for answer in refused} == {503}
    assert all("retry-after" in answer.headers for answer in refused)
    assert all(answer.json()["resourceType"] == "OperationOutcome" for answer in refused)
    assert len(indexes) == len(set(indexes)) > 0
    for address in replicas:
        assert posted(address).status_code == 200
        assert httpx.get(address + "/health/ready").status_code == 200
    assert size_told(httpx.get(replicas[0] + "/log/checkpoint")) > max(indexes)
