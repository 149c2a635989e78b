"""The whole service killed in the midst of its work: what it answered is in the log, and it is
back within three seconds."""

import asyncio
import base64
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import psutil
import pytest

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.note import Verifier
from cds_service.settings import Settings
from tests.web.sample import PATH, body

ROUNDS = 3
RESTART = 3.0
"""Seconds."""
CLIENTS = 4
HEADERS = {"content-type": "application/fhir+json"}


@contextmanager
def serving(folder: Path) -> Iterator[tuple["subprocess.Popen[str]", str, float]]:
    """The service, its address, and the seconds of work until it was ready to record.

    Work (of one core), not time: the tests share the machine with others.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"XDG_DATA_HOME": str(folder)},
    )
    assert process.stdout
    try:
        address = re.search(r"http://\S+:\d+", process.stdout.readline())
        assert address
        assert httpx.get(address[0] + "/health/ready").status_code == 200
        yield process, address[0], sum(psutil.Process(process.pid).cpu_times()[:2])
    finally:
        process.kill()
        process.communicate()


def ask(address: str, answers: list[httpx.Response]) -> None:
    """Ask until the service is gone."""
    try:
        while True:
            answers.append(httpx.post(address + PATH, content=body(), headers=HEADERS))
    except httpx.HTTPError:
        return


def killed_under_load(folder: Path, moment: float) -> tuple[list[httpx.Response], float]:
    answers: list[httpx.Response] = []
    with serving(folder) as (process, address, took):
        clients = [threading.Thread(target=ask, args=(address, answers)) for _ in range(CLIENTS)]
        for client in clients:
            client.start()
        time.sleep(moment)
        process.send_signal(signal.SIGKILL)
        for client in clients:
            client.join()
    return answers, took


def test_the_service_is_back_at_once_and_nothing_it_answered_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, times = [], []
    for number in range(ROUNDS):
        more, took = killed_under_load(tmp_path, 0.4 + 0.3 * number)
        answers += more
        times.append(took)

    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    settings = Settings.read()
    verifier = Verifier(settings.signer().verifier_keys)

    def checkpoint(answer: httpx.Response) -> Checkpoint:
        note = base64.b64decode(answer.headers["cds-log-checkpoint"]).decode()
        return open_checkpoint(note, verifier)

    async def look() -> None:
        store = settings.service().store
        found = await store.verify([checkpoint(answer) for answer in answers])
        assert found.finding is None
        for answer in answers:
            logged = await store.get(int(answer.headers["cds-log-index"]))
            assert logged is not None
            assert logged.entry is not None
            assert logged.entry.response == answer.content
        await store.close()

    assert len(answers) > ROUNDS
    assert {answer.status_code for answer in answers} == {200}
    asyncio.run(look())
    assert max(times) < RESTART
