"""While nobody has to log in: asked by a name of this machine, and by no page of another site.

What browsers send is that of W3C Fetch Metadata Request Headers (sections 2 and 5) and of the Fetch
standard ("Origin header"), both from memory.
"""

import asyncio
import logging
from pathlib import Path
from typing import Any

import httpx
import pytest

from cds_service.service import Service
from cds_service.settings import Settings
from cds_service.web.app import make_app
from tests.served import served

from .conftest import call_app, issue
from .sample import PATH, body

NAMES = ("localhost", "127.0.0.1", "[::1]")
JSON = {"content-type": "application/fhir+json"}
RECORD = "https://record.example"


@pytest.fixture
def app(service: Service) -> Any:
    return make_app(service, names=NAMES, origins=[RECORD])


def post(app: Any, path: str = PATH, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return call_app(
        app, "POST", path, content=body(), headers={"host": "localhost:8080"} | JSON | named
    )


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:8080", "127.0.0.1", "127.0.0.1:9", "[::1]:8080"]
)
def test_it_answers_by_the_names_of_this_machine(app: Any, host: str) -> None:
    assert post(app, host=host).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8080", "localhost.evil.example", "evil.example@localhost", "",
     "127.0.0.1.evil.example", "localhost,evil.example", "[::1", "::1", "127.0.0.1:8080:9", "0"],
)  # fmt: skip
def test_a_name_that_is_pointed_here_is_not_answered(
    app: Any, service: Service, host: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING, "cds_service.access")

    answer = post(app, host=host)
    read = call_app(app, "GET", "/fhir/AuditEvent", headers={"host": host})

    assert (answer.status_code, read.status_code) == (421, 421)
    assert issue(answer)["code"] == "forbidden"
    assert "CDS_HOST_NAMES" in issue(answer)["diagnostics"]
    assert asyncio.run(service.store.size()) == 0
    assert "evil" not in caplog.text
    assert answer.headers["x-request-id"] in caplog.text
    assert vars(caplog.records[0])["request_id"] == answer.headers["x-request-id"]


def test_of_two_hosts_none_is_taken(app: Any) -> None:
    async def ask(hosts: list[bytes]) -> int:
        sent: list[Any] = []

        async def send(message: Any) -> None:
            sent.append(message)

        async def receive() -> Any:
            return {"type": "http.request", "body": b""}

        scope = {
            "type": "http", "method": "GET", "path": "/fhir/metadata", "query_string": b"",
            "headers": [(b"host", host) for host in hosts], "scheme": "http", "root_path": "",
            "server": ("here.example", 80), "client": ("127.0.0.1", 1), "raw_path": b"",
            "http_version": "1.1",
        }  # fmt: skip
        await app(scope, receive, send)
        return int(sent[0]["status"])

    told = [asyncio.run(ask(hosts)) for hosts in ([b"localhost"], [b"localhost"] * 2, [])]
    assert told == [200, 421, 421]


OTHERS = {
    "a form of another site": {"sec_fetch_site": "cross-site", "origin": "https://evil.example"},
    "a frame without an origin": {"sec_fetch_site": "cross-site", "origin": "null"},
    "a page on another port of this machine": {"sec_fetch_site": "same-site"},
    "something new": {"sec_fetch_site": "whatever"},
    "a form, in an older browser": {"origin": "https://evil.example"},
    "a file, in an older browser": {"origin": "null"},
    "another port, in an older browser": {"origin": "http://localhost:3000"},
    "an origin that begins like ours": {"origin": "http://localhost:8080.evil.example"},
    "a listed origin, which is for CDS Hooks": {"origin": RECORD, "sec_fetch_site": "cross-site"},
}


@pytest.mark.parametrize("headers", OTHERS.values(), ids=OTHERS)
def test_what_a_page_of_another_site_sends_is_refused(
    app: Any, service: Service, headers: dict[str, str]
) -> None:
    answer = post(app, **headers)

    assert answer.status_code == 403
    assert issue(answer)["code"] == "forbidden"
    assert "another site" in issue(answer)["details"]["text"]
    assert asyncio.run(service.store.size()) == 0


OWN = {
    "a program": {},
    "our own page": {"sec_fetch_site": "same-origin", "origin": "http://localhost:8080"},
    "our own page, behind a proxy": {
        "sec_fetch_site": "same-origin",
        "origin": "https://a.example",
    },
    "the address bar": {"sec_fetch_site": "none"},
    "our own page, in an older browser": {"origin": "http://localhost:8080"},
}


@pytest.mark.parametrize("headers", OWN.values(), ids=OWN)
def test_what_comes_from_here_is_taken(app: Any, headers: dict[str, str]) -> None:
    assert post(app, **headers).status_code == 200


def test_pages_of_a_listed_origin_may_call_cds_hooks(app: Any) -> None:
    from_there = {"sec_fetch_site": "cross-site", "origin": RECORD}

    hook = post(app, "/cds-services/sick-young-infant-plan", **from_there)

    assert hook.status_code not in (403, 421)
    assert hook.headers["access-control-allow-origin"] == RECORD


def test_other_sites_may_link_to_a_page_and_read_nothing(app: Any) -> None:
    headers = {"host": "localhost", "sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}

    answer = call_app(app, "GET", "/records", headers=headers)

    assert answer.status_code == 200
    assert "access-control-allow-origin" not in answer.headers


def test_a_probe_may_call_it_what_it_likes(app: Any) -> None:
    assert call_app(app, "GET", "/health/live", headers={"host": "pod-7"}).status_code == 200


def test_which_names_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CDS_HOST", "127.0.0.9")
    monkeypatch.setenv("CDS_HOST_NAMES", "Clinic-PC, [fd00::7]")

    assert Settings.read().names == (*NAMES, "127.0.0.9", "clinic-pc", "[fd00::7]")
    monkeypatch.setenv("CDS_PUBLIC_URL", "https://cds.example")
    monkeypatch.setenv("CDS_ISSUERS_FILE", "issuers.json")
    assert Settings.read().names == ()


def test_the_running_service_has_both(tmp_path: Path) -> None:
    with served(tmp_path, CDS_HOST_NAMES="clinic-pc") as at:
        url = f"{at.address}/cds-services"
        told = [
            httpx.get(url, headers={"host": host}).status_code
            for host in ("localhost", "clinic-pc:80", "evil.example")
        ]
        assert told == [200, 200, 421]
        told = [
            httpx.get(url, headers={"host": "localhost", "x-forwarded-for": client}).status_code
            for client in ("192.0.2.7", "127.0.0.1", "2001:db8::7, 127.0.0.1", "who-knows")
        ]
        assert told == [403, 200, 403, 403]
        evil = {"origin": "https://evil.example"} | JSON
        assert httpx.post(f"{at.address}{PATH}", content=body(), headers=evil).status_code == 403


def test_of_whom_a_proxy_asks_is_believed_only_of_those_that_are_named(tmp_path: Path) -> None:
    """Of another it is not heeded: then it is this machine that asks."""
    with served(tmp_path, CDS_PROXIES="192.0.2.1", FORWARDED_ALLOW_IPS="*") as at:
        url, far = f"{at.address}/cds-services", {"x-forwarded-for": "192.0.2.7"}
        assert httpx.get(url, headers=far).status_code == 200
