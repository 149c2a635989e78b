"""`serve`: what it refuses to start with, and how it stops."""

import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from cds_service import cli
from tests.logs import recorded
from tests.web.sample import PATH, body

Printed = pytest.CaptureFixture[str]
pytestmark = pytest.mark.usefixtures("own_log")


def test_wrong_settings_are_listed(capsys: Printed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CDS_PORT", "many")
    monkeypatch.setenv("CDS_MAX_BODY_BYTES", "few")

    assert cli.main(["serve"]) == 1
    err = capsys.readouterr().err
    assert "CDS_PORT" in err
    assert "CDS_MAX_BODY_BYTES" in err


def test_a_port_in_use_is_told_in_words(capsys: Printed) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        assert cli.main(["serve", "--port", port]) == 1
    assert f"port {port}" in capsys.readouterr().err


@pytest.fixture
def served() -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The service in a process of its own, on a free port, and its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    line = process.stdout.readline()
    address = re.search(r"http://\S+:\d+", line)
    assert address, process.communicate()[1]
    yield process, address[0]
    process.kill()
    process.communicate()


def test_it_serves_until_it_is_stopped(
    served: tuple[subprocess.Popen[str], str], tmp_path: Path
) -> None:
    process, address = served
    headers = {"content-type": "application/fhir+json"}
    answers = [httpx.post(address + PATH, content=body(), headers=headers) for _ in range(3)]
    assert httpx.get(address + "/health/ready").status_code == 200

    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=20)

    assert [answer.headers["cds-log-index"] for answer in answers] == ["0", "1", "2"]
    assert (process.returncode, err) == (0, "")
    assert recorded(tmp_path) == 3


@pytest.mark.parametrize("finishes", [True, False])
def test_it_stops_in_good_order_while_requests_are_in_flight(
    served: tuple[subprocess.Popen[str], str], tmp_path: Path, finishes: bool
) -> None:
    process, address = served
    host, _, port = address.removeprefix("http://").partition(":")
    head = (
        f"POST {PATH} HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body())}\r\n\r\n"
    )
    with socket.create_connection((host, int(port)), timeout=10) as caller:
        caller.sendall(head.encode() + body()[:100])
        assert httpx.get(address + "/health/live").status_code == 200  # the half is there
        begun = time.monotonic()
        process.send_signal(signal.SIGTERM)
        if finishes:
            time.sleep(0.5)
            caller.sendall(body()[100:])
        answer = caller.recv(4096)
        _, err = process.communicate(timeout=20)

    assert time.monotonic() - begun < 15  # and not until the slow caller is given up
    assert process.returncode == 0
    assert answer.startswith(b"HTTP/1.1 200" if finishes else b"HTTP/1.1 503")
    assert "Traceback" not in err
    assert recorded(tmp_path) == int(finishes)


def test_an_address_or_name_in_a_url_is_not_logged(
    served: tuple[subprocess.Popen[str], str],
) -> None:
    process, address = served
    assert httpx.get(address + "/fhir/Patient/orla-fenn?name=Fenn").status_code == 404

    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=20)

    assert "fenn" not in (out + err).lower()
