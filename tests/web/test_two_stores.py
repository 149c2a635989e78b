"""One history over HTTP on SQLite and on PostgreSQL: an auditor cannot tell which it was."""

import asyncio
import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from cds_service.audit.postgres_session import SCHEMA
from cds_service.audit.store import Store
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import open_database, open_log
from tests.postgresql.server import Server

from .auditing import AUDIT, FORM, ORLA, links
from .conftest import ACCEPTED, JSON, NOW, OVERRIDDEN, call_app, protocol, said
from .guidance import GUIDANCE
from .sample import BASE, PATH, body
from .test_idempotency import KEY, NOTE, at_once

# What is new each time: salts, and with them commitments, hashes and signatures.
_FRESH = (
    rb'(?<="commitment":")[0-9a-f]{64}', rb'(?<="salt":")[0-9a-f]{64}',
    rb'(?<="valueBase64Binary":")[^"]*', rb"(?m)^[A-Za-z0-9+/]{43}=$", rb"(?m)^\xe2\x80\x94 .*$",
    rb'(?<=mono breaks">)[0-9a-f]{64}', rb'"(salt|hash)":"[^"]*"', rb'\{"checkpoint":.*',
    rb'commitment\\":\\"[0-9a-f]{64}',
)  # fmt: skip
SEARCHES = (
    "", "_count=2", "_count=2&_total=accurate",
    "_count=0", f"patient={ORLA}", f"patient={ORLA}&_count=1", "patient=x'%25_",
    "date=2026-03-02", "date=gt2026-03-02", "date=ge2026-03-02T07:45:00Z", "agent=desk",
    "subtype=overridden", "subtype=feedback,erasure", "entity=AuditEvent/log-0", "_id=log-0,log-3",
    "patient-of=2", "outcome=0", "_page=2,4",
)  # fmt: skip


RECORDS = (
    "", "?from=2026-03-02&to=2026-03-02", "?to=2026-03-01", "?class=clinical-severe-infection",
    "?feedback=overridden", "?outcome=data-required&protocol=sick-young-infant", "?patient-of=2",
    "?patient-of=0", "/doses", "/0", "/1", "/2", "/3", "/99", "/export?format=csv",
    "/export?format=ndjson",
)  # fmt: skip


class History:
    """Asks one service, and keeps status and body of every answer."""

    def __init__(self, store: Store) -> None:
        self.service = Service(
            protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW
        )
        self.app = make_app(self.service)
        self.told: list[tuple[int, bytes]] = []

    def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        answer = call_app(self.app, method, path, **options)
        plain = answer.content
        for fresh in _FRESH:
            plain = re.sub(fresh, b"", plain)
        self.told.append((answer.status_code, plain))
        return answer

    def record(self) -> str:
        """A recommendation with retries, two more entries, two feedbacks, an erasure."""
        keyed = JSON | {"idempotency-key": KEY}
        first = self.ask("POST", PATH, content=body(), headers=keyed)
        self.ask("POST", PATH, content=body(), headers=keyed)
        self.ask("POST", PATH, content=body() + b" ", headers=keyed)
        self.ask("POST", NOTE, content=body(), headers=JSON)
        self.ask("POST", PATH, content=body(), headers=JSON)
        decision = str(first.headers["cds-decision-id"])
        for given in (OVERRIDDEN, ACCEPTED):
            address = f"{GUIDANCE}/{decision}/$feedback"
            self.ask("POST", address, content=said(**given), headers=JSON)
        asyncio.run(self.service.erase(0, "on request"))
        self.ask("POST", PATH, content=body(), headers=keyed)
        return decision

    def search(self) -> None:
        for query in SEARCHES:
            page = self.ask("GET", f"{AUDIT}?{query}")
            self.ask("POST", f"{AUDIT}/_search", content=query, headers=FORM)
            while page.status_code == 200 and "next" in links(page.json()):
                page = self.ask("GET", links(page.json())["next"])

    def read(self, decision: str) -> None:
        for query in ("", f"patient={ORLA}", f"_id={decision}", "status=success", "_count=1"):
            self.ask("GET", f"{GUIDANCE}?{query}")
        for path in ("", "/_history/0", "/_history/2", "/$record", "/$record?entry=1"):
            self.ask("GET", f"{GUIDANCE}/{decision}{path}")
        self.ask("POST", f"{GUIDANCE}/{decision}/$replay")
        for name in ("x%00", "' OR 1=1 --"):
            self.ask("GET", f"{GUIDANCE}/{name}")

    def prove(self) -> None:
        for number in ("0", "3", "99", "9" * 18):
            for part in ("entries", "opening", "request", "response", "proof/inclusion"):
                self.ask("GET", f"/log/{part}/{number}")
            self.ask("GET", f"/log/proof/consistency?from={number}")
            self.ask("GET", f"{AUDIT}/log-{number}")
        self.ask("GET", "/log/checkpoint")
        self.ask("GET", "/log/keys")

    def look(self) -> None:
        """At the auditors' pages."""
        for path in RECORDS:
            self.ask("GET", f"/records{path}", headers={"accept": "text/html"})


def history(store: Store) -> list[tuple[int, bytes]]:
    """All of it; the store is closed in any case."""
    try:
        asked = History(store)
        decision = asked.record()
        asked.search()
        asked.read(decision)
        asked.prove()
        asked.look()
        return asked.told
    finally:
        asyncio.run(store.close())


@pytest.fixture
def database(postgresql: Server) -> str:
    """The address of a database without a log."""
    postgresql.run(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")
    return postgresql.url("postgres")


@pytest.mark.postgresql
def test_an_auditor_sees_the_same_on_both_stores(tmp_path: Path, database: str) -> None:
    here = history(open_log(tmp_path / "log.db"))
    there = history(open_database(database))

    assert len(here) >= 90
    assert {status for status, _ in here} == {200, 404, 410, 422}
    assert there == here


@pytest.mark.postgresql
def test_two_replicas_record_one_key_once(database: str) -> None:
    def services(store: Store) -> list[Any]:
        return [make_app(Service(protocol(), store, base=BASE, code_version="0.1.0"))]

    one, two = open_database(database), open_database(database)
    apps = [*services(one), *services(two)]

    async def both() -> tuple[list[Any], int]:
        answers = await at_once(apps * 6, [body()] * 12)
        size = await one.size()
        await asyncio.gather(one.close(), two.close())
        return answers, size

    answers, size = asyncio.run(both())
    assert {each.status_code for each in answers} == {200}
    assert len({each.content for each in answers}) == 1
    assert {each.headers["cds-log-index"] for each in answers} == {"0"}
    assert sum("idempotency-replayed" in each.headers for each in answers) == 11
    assert size == 1
