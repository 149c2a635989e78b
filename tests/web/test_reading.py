"""What auditors read is recorded: who, what kind, which entries, when; and nothing of an infant.

IHE ITI-20 and BALP (profiles Query, Read, PatientRead) have an event for each; from memory.
"""

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from cds_service.audit.record import KINDS, READING
from cds_service.audit.store import Logged, Query, Store
from cds_service.errors import LogUnavailable
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.access.tokens import APPLY, access, client, of_server, server, signed
from tests.logs import open_database, open_log
from tests.postgresql.server import Server

from .auditing import FORM, ORLA
from .canaries import found
from .conftest import JSON, NOW, call_app, issue, protocol
from .sample import BASE, body

GUIDANCE, EVENT = "/fhir/GuidanceResponse", "/fhir/AuditEvent"
SAMPLE = "/records/export?format=csv"


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    if request.param == "sqlite":
        made: Store = open_log(tmp_path / "log.db")
    else:
        server: Server = request.getfixturevalue("postgresql")
        made = open_database(server.new_database())
    yield made
    asyncio.run(made.close())


class Ground:
    """A log with one recommendation, and an auditor who reads it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        service = Service(protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW)
        self._app = make_app(service, access=access(client(), server()))
        made = self.ask("POST", APPLY, role="call", content=body(), headers=JSON)
        self.decision = made.headers["cds-decision-id"]

    def ask(self, method: str, path: str, *, role: str = "audit", **options: Any) -> httpx.Response:
        said = of_server(scope=f"cds/{role}", client_id="auditor-7" if role == "audit" else "desk")
        headers = {"authorization": f"Bearer {signed(said)}", **options.pop("headers", {})}
        return call_app(self._app, method, path, headers=headers, **options)

    def readings(self) -> list[Logged]:
        """Those in the log, the oldest first."""
        found = asyncio.run(self.store.find(Query(kinds=(READING,), limit=1000)))
        return list(reversed(found))

    def said(self) -> list[dict[str, Any]]:
        return [orjson.loads(each.entry.request) for each in self.readings() if each.entry]


@pytest.fixture
def ground(store: Store) -> Ground:
    return Ground(store)


def test_each_kind_of_reading_is_one_entry(ground: Ground) -> None:
    one = f"{GUIDANCE}/{ground.decision}"
    asked = {
        ("GET", f"{EVENT}?subtype=recommendation&_count=50"): ("search", ["subtype"], [0]),
        ("GET", f"{EVENT}/log-0"): ("read", [], [0]),
        ("GET", one): ("read", [], [0]),
        ("GET", f"{one}/_history/0"): ("read", [], [0]),
        ("GET", f"{one}/$record"): ("record", [], [0]),
        ("POST", f"{one}/$replay"): ("replay", [], [0]),
        ("GET", "/log/request/0"): ("bytes", [], [0]),
        ("GET", "/log/response/0"): ("bytes", [], [0]),
        ("GET", "/log/opening/0"): ("bytes", [], [0]),
        ("GET", "/records?outcome=success"): ("search", ["outcome"], []),
        ("GET", "/records/0"): ("page", [], [0]),
        ("POST", "/records/0/replay"): ("replay", [], [0]),
        ("GET", "/records/doses"): ("doses", [], []),
        ("GET", SAMPLE): ("export", [], [0]),
    }
    for method, path in asked:
        assert ground.ask(method, path).status_code == 200, path

    due = [{"read": k, "by": b, "entries": e, "count": len(e)} for k, b, e in asked.values()]
    assert ground.said() == due
    heads = [each.head for each in ground.readings()]
    assert {(each.origin.tenant, each.origin.caller) for each in heads} == {
        ("marrow-vale", "auditor-7")
    }
    assert {each.recorded for each in heads} == {NOW}
    assert [each.about for each in heads] == [0 if e else None for _, _, e in asked.values()]


def test_a_patient_who_was_searched_for_stands_in_none(ground: Ground) -> None:
    sent = {"content": f"patient={ORLA}", "headers": FORM}
    assert ground.ask("POST", f"{EVENT}/_search", **sent).json()["entry"]
    assert ground.ask("POST", "/records", **sent).status_code == 303
    ground.ask("GET", f"{EVENT}?patient={ORLA}&orla=fenn")

    said = ground.said()
    assert [(each["read"], each["by"]) for each in said] == [("search", ["patient"])] * 3
    for each in ground.readings():
        assert each.payload is not None
        kept = each.leaf + each.payload.request + each.payload.response + each.payload.rest
        assert not found(kept.decode())
        assert ground.decision.encode() not in kept


def test_a_page_of_many_is_one_entry(ground: Ground) -> None:
    for _ in range(30):
        ground.ask("POST", APPLY, role="call", content=body(), headers=JSON)

    ground.ask("GET", f"{EVENT}?subtype=recommendation&_count=200")
    assert [(each["count"], len(each["entries"])) for each in ground.said()] == [(31, 31)]


def test_what_was_not_shown_and_what_is_for_everybody_leaves_none(ground: Ground) -> None:
    before = asyncio.run(ground.store.size())
    for method, path, status in (
        ("GET", f"{EVENT}/log-99", 404),
        ("GET", f"{EVENT}?date=never", 400),
        ("GET", f"{GUIDANCE}/none", 404),
        ("GET", "/records/99", 404),
        ("PUT", f"{EVENT}/log-0", 405),
        ("GET", "/log/checkpoint", 200),
        ("GET", "/log/keys", 200),
        ("GET", "/log/proof/inclusion/0", 200),
        ("GET", "/log/entries/0", 200),
        ("GET", "/fhir/metadata", 200),
    ):
        assert ground.ask(method, path).status_code == status, path
    assert ground.ask("GET", f"{EVENT}/log-0", role="call").status_code == 403
    assert asyncio.run(ground.store.size()) == before


def test_a_batch_is_no_way_around(store: Store) -> None:
    ground = Ground(store)
    urls = ("AuditEvent/log-0", f"GuidanceResponse/{ground.decision}", "AuditEvent/log-99")
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}

    told = ground.ask("POST", "/fhir", role="call cds/audit", json=batch, headers=JSON)

    statuses = [each["response"]["status"][:3] for each in told.json()["entry"]]
    assert statuses == ["200", "200", "404"]
    assert [each["read"] for each in ground.said()] == ["read", "read"]


def test_it_is_listed_read_exported_and_proved_like_every_entry(ground: Ground) -> None:
    ground.ask("GET", f"{EVENT}?subtype=recommendation")
    listed = ground.ask("GET", f"{EVENT}?subtype=reading").json()
    (event,) = (each["resource"] for each in listed["entry"])

    assert event["action"] == "R"
    assert [each["code"] for each in event["subtype"]] == ["search-type", "reading"]
    who = [each["who"]["identifier"]["value"] for each in event["agent"]]
    assert who == ["auditor-7", "cds-service", "marrow-vale"]
    details = {
        each["type"]: each.get("valueString")
        for entity in event["entity"]
        for each in entity.get("detail", ())
    }
    assert (details["read"], details["searched-by"]) == ("search", "subtype")
    assert (details["shown"], details["shown-count"]) == ("AuditEvent/log-0", "1")
    page = ground.ask("GET", "/records/1")
    assert "Reading by an auditor 1" in page.text
    assert "search by subtype" in page.text
    about = {"entity": f"{EVENT.removeprefix('/fhir/')}/log-0", "subtype": "reading"}
    assert ground.ask("GET", EVENT, params=about).json()["entry"]
    assert ground.ask("GET", "/log/proof/inclusion/1").status_code == 200
    assert READING in KINDS  # what `export --kind` takes
    assert asyncio.run(ground.store.verify()).finding is None


def test_what_cannot_be_recorded_is_not_shown(
    ground: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse(_: object) -> None:
        raise LogUnavailable("full")

    monkeypatch.setattr(ground.store, "append", refuse)

    for path in (f"{EVENT}/log-0", "/log/request/0", "/records", SAMPLE):
        answer = ground.ask("GET", path)
        assert answer.status_code == 503, path
        assert issue(answer)["code"] == "transient"
        assert not found(answer.text)
        assert answer.headers["retry-after"]
    assert ground.ask("GET", "/log/entries/0").status_code == 200


def test_it_goes_on_when_what_was_read_is_erased(ground: Ground) -> None:
    ground.ask("GET", f"{EVENT}/log-0")
    service = Service(protocol(), ground.store, base=BASE, code_version="1", clock=lambda: NOW)
    assert asyncio.run(service.erase(0, "asked for")) is not None

    assert ground.ask("GET", "/log/request/0").status_code == 410
    assert ground.ask("GET", f"{EVENT}/log-1").json()["subtype"][-1]["code"] == "reading"
    assert asyncio.run(ground.store.verify()).finding is None


def test_where_nobody_is_known_nobody_is_recorded(ground: Ground) -> None:
    service = Service(protocol(), ground.store, base=BASE, code_version="1", clock=lambda: NOW)
    call_app(make_app(service), "GET", EVENT)

    assert ground.readings() == []
