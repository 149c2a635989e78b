"""The selftest against a real server, against one that is wrong in everything, and against none."""

import contextlib
import re
import socket
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import pytest

from cds_service import cli
from tests.served import served as started

Printed = pytest.CaptureFixture[str]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """The address of the service in a process of its own, with a fresh log."""
    with started(tmp_path) as found:
        yield found.address


class _Wrong(BaseHTTPRequestHandler):
    """Answers everything with 200 and something that is none of ours."""

    status, body = 200, b"{}"

    def handle(self) -> None:
        # The check that declares a body and sends none hangs up.
        with contextlib.suppress(ConnectionError):
            super().handle()

    def _answer(self) -> None:
        self.send_response(self.status)
        self.send_header("Content-Length", str(len(self.body)))
        self.end_headers()
        self.wfile.write(self.body)

    def __getattr__(self, name: str) -> Callable[[], None]:
        """The same for every method: the base class asks for `do_<METHOD>`."""
        if not name.startswith("do_"):
            raise AttributeError(name)
        return self._answer

    def log_message(self, *_: object) -> None:
        """Quietly."""


class _Closed(_Wrong):
    status = 401


@pytest.fixture
def wrong(request: pytest.FixtureRequest) -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), request.param)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}"
    server.shutdown()
    thread.join()
    server.server_close()


def counts(out: str) -> tuple[int, int, int]:
    """Passed, failed, skipped, as the last line says; it agrees with the lines above."""
    found = re.fullmatch(r"(\d+) passed, (\d+) FAILED, (\d+) skipped", out.splitlines()[-1])
    assert found
    said = int(found[1]), int(found[2]), int(found[3])
    states = ("passed", "FAILED", "skipped")
    assert said == tuple(len(re.findall(rf"^  {state} ", out, re.MULTILINE)) for state in states)
    return said


def log_size(address: str) -> int:
    return int(httpx.get(f"{address}/log/checkpoint").text.split("\n")[1])


def test_our_own_service_passes_every_check(served: str, capsys: Printed) -> None:
    code = cli.main(["selftest", "--base-url", f"{served}/", "--yes"])
    out = capsys.readouterr().out
    passed, failed, skipped = counts(out)
    assert (code, failed, skipped) == (0, 0, 0), out
    assert passed >= 90
    assert "written into its log" in out.splitlines()[0]
    assert log_size(served) > 10


def test_without_yes_nothing_is_written_and_that_is_said(served: str, capsys: Printed) -> None:
    code = cli.main(["selftest", "--base-url", served])
    out = capsys.readouterr().out
    passed, failed, skipped = counts(out)
    assert (code, failed) == (0, 0), out
    assert passed >= 50
    assert out.count("needs --yes") == skipped > 30
    assert log_size(served) == 0


# Checks that even this server passes: HEAD without a body, and what is answered to anything.
@pytest.mark.parametrize("wrong", [_Wrong], indirect=True)
def test_a_server_that_does_nothing_right_fails(wrong: str, capsys: Printed) -> None:
    code = cli.main(["selftest", "--base-url", wrong, "--yes", "--timeout", "5"])
    out = capsys.readouterr().out
    passed, failed, _ = counts(out)
    assert code == 1
    assert failed >= 90
    assert passed <= 3, out


@pytest.mark.parametrize("wrong", [_Closed], indirect=True)
def test_what_is_not_permitted_is_skipped_and_said(wrong: str, capsys: Printed) -> None:
    code = cli.main(["selftest", "--base-url", wrong, "--yes", "--timeout", "5"])
    out = capsys.readouterr().out
    passed, _, skipped = counts(out)
    assert code == 0
    assert passed == 0
    assert out.count("not permitted to this caller (401)") == skipped > 60


def test_nobody_there_is_told(capsys: Printed) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    assert cli.main(["selftest", "--base-url", f"http://127.0.0.1:{port}"]) == 2
    assert "no answer to GET /health/live" in capsys.readouterr().err


@pytest.mark.parametrize("address", ["127.0.0.1:8080", "ftp://here.example", "http://"])
def test_an_address_that_is_none_is_told(address: str, capsys: Printed) -> None:
    assert cli.main(["selftest", "--base-url", address]) == 2
    assert "needs http://" in capsys.readouterr().err
