"""The real application over a log of its own, called without a network."""

import asyncio
from collections.abc import Callable, Generator, Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import open_log

from .auditing import AUDIT, indexes, valid
from .canaries import check_answer, check_sections, listen
from .sample import BASE, PATH, body

NOW = datetime(2026, 3, 2, 7, 45, tzinfo=UTC)
Call = Callable[..., httpx.Response]


_CAPTURED = (Path(__file__).parent, Path(__file__).parents[1] / "security")
"""Folders of tests after which nothing personal may stand in the output (`canaries`)."""


@pytest.fixture(autouse=True, scope="session")
def _everything_is_captured() -> None:
    listen()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A test after which personal data is found in the output or in a log record fails."""
    report = yield
    here = any(item.path.is_relative_to(folder) for folder in _CAPTURED)
    if here and report.passed and (faults := check_sections(report.sections)):
        report.outcome, report.longrepr = "failed", "\n".join(faults)
    return report


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

    answer = asyncio.run(once())
    check_answer(answer)
    return answer


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


JSON = {"content-type": "application/fhir+json"}


@pytest.fixture
def decision(post: Call) -> str:
    """The id of a decision that is in the log, at index 0."""
    return str(post().headers["cds-decision-id"])


def said(**values: Any) -> bytes:
    """The body of `$feedback`, or of another small operation."""
    parameters = [{"name": name, **value} for name, value in values.items()]
    return orjson.dumps({"resourceType": "Parameters", "parameter": parameters})


@pytest.fixture
def feed(call: Call, decision: str) -> Call:
    """Gives feedback on that decision."""
    address = f"/fhir/GuidanceResponse/{decision}/$feedback"
    return lambda **given: call("POST", address, content=said(**given), headers=JSON)


@pytest.fixture
def search(call: Call) -> Callable[[str], list[int]]:
    """The indexes of the AuditEvents that a query finds."""
    return lambda query: indexes(valid(call("GET", f"{AUDIT}?{query}")))


@pytest.fixture
def infants(service: Service, post: Call) -> list[str]:
    """Nine recommendations for three infants in turn, an hour apart, from 07:45 UTC on."""
    names = [f"http://tolm-ford.example/fhir/Patient/{name}" for name in ("orla-fenn", "b", "c")]
    for number in range(9):
        service.clock = lambda at=NOW + timedelta(hours=number): at
        post(body().replace(b"orla-fenn", names[number % 3].rpartition("/")[2].encode()))
    return names


ACCEPTED = {"outcome": {"valueCode": "accepted"}, "by": {"valueString": "Nurse Quill"}}
OVERRIDDEN = {
    "outcome": {"valueCode": "overridden"},
    "by": {"valueReference": {"reference": "Practitioner/quill", "display": "Nurse Quill"}},
    "reason": {"valueString": "The mother of marmalade lane declines referral"},
}


def issue(answer: httpx.Response) -> dict[str, Any]:
    """The one issue of an OperationOutcome."""
    outcome = answer.json()
    assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
    assert outcome["resourceType"] == "OperationOutcome"
    assert len(outcome["issue"]) == 1
    return outcome["issue"][0]
