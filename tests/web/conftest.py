"""The real application over a log of its own, called without a network."""

import asyncio
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import open_log

from .sample import BASE, PATH, body

NOW = datetime(2026, 3, 2, 7, 45, tzinfo=UTC)
Call = Callable[..., httpx.Response]


@cache
def protocol() -> Protocol:
    return load()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    store = open_log(tmp_path / "log.db", wait=0.2)
    yield store
    asyncio.run(store.close())


@pytest.fixture
def service(store: SqliteStore) -> Service:
    return Service(protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW)


def call_app(app: Any, method: str, path: str, **options: Any) -> httpx.Response:
    async def once() -> httpx.Response:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=True)
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
            return await client.request(method, path, **options)

    return asyncio.run(once())


@pytest.fixture
def call(service: Service) -> Call:
    app = make_app(service, max_body=200_000)
    return lambda method, path, **options: call_app(app, method, path, **options)


@pytest.fixture
def post(call: Call) -> Call:
    """POST a request to the operation; headers are put instead of, or beside, the usual ones."""

    def send(content: Any = None, /, **headers: str) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        usual = {"content-type": "application/fhir+json"}
        content = body() if content is None else content
        return call("POST", PATH, content=content, headers=usual | named)

    return send


def issue(answer: httpx.Response) -> dict[str, Any]:
    """The one issue of an OperationOutcome."""
    outcome = answer.json()
    assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
    assert outcome["resourceType"] == "OperationOutcome"
    assert len(outcome["issue"]) == 1
    return outcome["issue"][0]
