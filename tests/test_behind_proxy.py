"""Two replicas on one PostgreSQL behind nginx with TLS, set up by deploy/nginx.conf as it stands.

A rolling restart under load, a replica killed, the database restarted: nothing that was answered
is lost, the log stays one, and what callers see is counted (printed with -s).
"""

import asyncio
import base64
import os
import re
import shutil
import ssl
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from fhir.resources.R4B.operationoutcome import OperationOutcome

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.keys import load_signer, make_key
from cds_service.audit.note import Verifier
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from tests.postgresql.server import Server
from tests.replicas import Replica, free_port
from tests.web.sample import PATH, body

pytestmark = pytest.mark.postgresql
CONF = Path(__file__).parents[1] / "deploy" / "nginx.conf"
CLIENTS = 4
HSTS = "max-age=31536000"
MADE = "[0-9a-f]{32}"
"""An id that nginx made ($request_id)."""


class Site:
    """The two replicas, the proxy before them, and the key that verifies their log."""

    def __init__(self, server: Server, folder: Path) -> None:
        make_key(folder / "log.key")
        clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
        environment = clean | {
            "CDS_DATABASE_URL": server.url("postgres"),
            "CDS_LOG_KEY_FILE": str(folder / "log.key"),
        }
        self.server, self.folder = server, folder
        self.signer = load_signer("cds-service.example/fhir", [folder / "log.key"])
        self.replicas = [Replica(environment) for _ in range(2)]
        self.port = free_port()
        for replica in self.replicas:
            replica.start()
        self.trust = ssl.create_default_context(cafile=str(self._certificate()))
        self._proxy = subprocess.Popen(["nginx", "-p", str(folder), "-c", str(self._conf())])
        self._wait()

    def _certificate(self) -> Path:
        made = self.folder / "cds.crt"
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
             "-keyout", str(self.folder / "cds.key"), "-out", str(made)],
            check=True, capture_output=True,
        )  # fmt: skip
        return made

    def _conf(self) -> Path:
        """deploy/nginx.conf with the places of this test, and nothing else changed."""
        text = CONF.read_text(encoding="utf-8")
        places = {
            "127.0.0.1:8081": f"127.0.0.1:{self.replicas[0].port}",
            "127.0.0.1:8082": f"127.0.0.1:{self.replicas[1].port}",
            "listen 443 ": f"listen 127.0.0.1:{self.port} ",
            "server_name cds.example": "server_name localhost",
            "/etc/nginx/cds.example.crt": str(self.folder / "cds.crt"),
            "/etc/nginx/cds.example.key": str(self.folder / "cds.key"),
            "pid /run/nginx.pid": f"daemon off; pid {self.folder}/nginx.pid",
            "worker_processes auto": "worker_processes 1",
        }
        for old, new in places.items():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        made = self.folder / "nginx.conf"
        made.write_text(text, encoding="utf-8")
        return made

    def _wait(self) -> None:
        for _ in range(200):
            try:
                assert self.get("/health/ready").status_code == 200
            except httpx.TransportError:
                time.sleep(0.05)
            else:
                return
        raise AssertionError("nginx did not start")

    def get(self, path: str, **headers: str) -> httpx.Response:
        address = f"https://localhost:{self.port}{path}"
        return httpx.get(address, headers=headers, verify=self.trust, timeout=30)

    def refusal(self, path: str, *arguments: str, known_by: str = "ford-7") -> tuple[int, str, str]:
        """Status, code and Retry-After of what the proxy says itself, asked by curl (HTTP/2).

        Fails when it is not FHIR, or does not have the id, once.
        """
        address = f"https://localhost:{self.port}{path}"
        told = subprocess.run(
            ["curl", "--silent", "--show-error", "--include", "--cacert", self.folder / "cds.crt",
             "--header", "X-Request-Id: ford-7", "--header", "Expect:", *arguments, address],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        head, _, content = told.stdout.partition("\n\n")
        status, *lines = head.splitlines()
        headers = [
            (name.lower(), value) for name, _, value in (one.partition(": ") for one in lines)
        ]
        (given,) = [value for name, value in headers if name == "x-request-id"]
        assert re.fullmatch(known_by, given)
        said = httpx.Headers(headers)
        assert said["content-type"] == "application/fhir+json; charset=utf-8"
        assert (said["strict-transport-security"], said["cache-control"]) == (HSTS, "no-store")
        outcome = OperationOutcome.model_validate_json(content)
        return int(status.split()[1]), str(outcome.issue[0].code), said.get("retry-after", "")

    def close(self) -> None:
        self._proxy.terminate()
        self._proxy.wait(30)
        for replica in self.replicas:
            replica.stop("kill")
        self.server.run(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")

    def under_load(self, events: Callable[[], None]) -> list[httpx.Response]:
        """Every answer to callers who ask without a pause while the events happen."""
        answers: list[httpx.Response] = []
        stop = threading.Event()

        def ask() -> None:
            with httpx.Client(verify=self.trust, timeout=60) as client:
                while not stop.is_set():
                    answers.append(
                        client.post(
                            f"https://localhost:{self.port}{PATH}",
                            content=body(), headers={"content-type": "application/fhir+json"},
                        )
                    )  # fmt: skip

        threads = [threading.Thread(target=ask) for _ in range(CLIENTS)]
        for thread in threads:
            thread.start()
        events()
        stop.set()
        for thread in threads:
            thread.join()
        return answers

    def check(self, answers: list[httpx.Response]) -> int:
        """Everything answered is in the log, each at a place of its own; its size."""
        answered = [each for each in answers if each.status_code == 200]
        places = [int(each.headers["cds-log-index"]) for each in answered]
        assert len(set(places)) == len(places)
        verifier = Verifier(self.signer.verifier_keys)
        store = PostgresStore(self.server.url("postgres"), self.signer)
        kept = [_checkpoint(each, verifier) for each in answered]
        found = asyncio.run(store.verify(kept))
        asyncio.run(store.close())
        assert found.finding is None
        assert set(places) <= set(range(found.size))
        return found.size


def _checkpoint(answer: httpx.Response, verifier: Verifier) -> Checkpoint:
    note = base64.b64decode(answer.headers["cds-log-checkpoint"]).decode()
    return open_checkpoint(note, verifier)


@pytest.fixture
def site(postgresql: Server, tmp_path: Path) -> Iterator[Site]:
    assert shutil.which("nginx"), "nginx is needed (Debian: nginx-light)"
    made = Site(postgresql, tmp_path)
    yield made
    made.close()


def test_replicas_are_restarted_one_after_the_other_and_nobody_notices(site: Site) -> None:
    def roll() -> None:
        for replica in site.replicas:
            time.sleep(1)
            replica.stop()
            replica.start()
            time.sleep(2)  # longer than nginx's fail_timeout: it must have seen that it is back

    answers = site.under_load(roll)

    told = Counter(each.status_code for each in answers)
    size = site.check(answers)
    print(f"rolling restart: {told}, {size} entries")
    assert set(told) == {200}
    assert len(answers) > 20


def test_a_replica_is_killed_and_the_other_goes_on(site: Site) -> None:
    def kill() -> None:
        time.sleep(1)
        site.replicas[0].stop("kill")
        time.sleep(2)
        site.replicas[0].start()
        time.sleep(1)

    answers = site.under_load(kill)

    told = Counter(each.status_code for each in answers)
    size = site.check(answers)
    print(f"a replica killed: {told}, {size} entries")
    assert set(told) == {200}


def test_the_database_is_restarted_and_the_replicas_recover(site: Site) -> None:
    def restart() -> None:
        time.sleep(1)
        site.server.restart("immediate")
        time.sleep(3)

    answers = site.under_load(restart)

    told = Counter(each.status_code for each in answers)
    size = site.check(answers)
    print(f"the database restarted at once: {told}, {size} entries")
    # 503 asks to come again, in FHIR; nothing else is told, and in the end all is well.
    assert set(told) <= {200, 503}
    refused = [each for each in answers if each.status_code == 503]
    assert {each.json()["resourceType"] for each in refused} <= {"OperationOutcome"}
    assert all("retry-after" in each.headers for each in refused)
    assert answers[-1].status_code == 200
    assert site.get("/health/ready").status_code == 200


def test_an_answer_has_one_id_whoever_gives_it_and_is_fhir(site: Site) -> None:
    for sent, known_by in (("ford-7", "ford-7"), ("not sane", MADE), ("", MADE)):
        answer = site.get("/fhir/metadata", **({"x-request-id": sent} if sent else {}))
        assert answer.headers["strict-transport-security"] == HSTS
        assert re.fullmatch(r"nginx|", answer.headers.get("server", ""))
        (given,) = answer.headers.get_list("x-request-id")
        assert re.fullmatch(known_by, given)
        # The replica alone would have taken the trace id.
        assert given not in answer.headers["traceparent"]

    large, one = site.folder / "large", ["--http1.1"]
    large.write_bytes(b" " * 1_100_000)
    sending = ["--data-binary", f"@{large}"]
    assert site.refusal("/metrics") == (403, "forbidden", "")
    assert site.refusal("/", "--request", "TRACE") == (405, "not-supported", "")
    assert site.refusal("/what-the-proxy-says") == (404, "not-found", "")
    # HTTP/1.1; HTTP/2 with and without its length.
    for more in (one, [], ["--header", "Content-Length:"]):
        assert site.refusal(PATH, *sending, *more) == (413, "too-long", "")
    # The headers of these were not read, or not all of them.
    long = "a" * 9_000
    assert site.refusal(f"/{long}", *one, known_by=MADE) == (414, "too-long", "")
    assert site.refusal("/", *one, "-H", f"Long: {long}", known_by=f"ford-7|{MADE}")[:2] == (
        400, "invalid",
    )  # fmt: skip

    for replica in site.replicas:
        replica.stop("kill")
    assert site.refusal("/health/ready") == (503, "transient", "5")
