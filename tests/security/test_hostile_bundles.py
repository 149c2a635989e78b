"""No bundle whatsoever brings the service down, holds it up, or leads to a dose."""

import asyncio
import time
from collections.abc import Iterator

import orjson
import pytest

from cds_service.service import Service
from tests.access.tokens import APPLY
from tests.fhir.sending import NOW
from tests.logs import open_log
from tests.web.conftest import protocol
from tests.web.sample import BASE

from .asking import JSON, Asking, Told
from .bundles import PLAIN, SCRIPT, WEIGHED, hostile

BUNDLES = hostile()
SECONDS = 2.0
"""Of the processor, for one request."""
LARGEST = 4_000_000
"""Bytes of an answer: nobody fills the log by small requests."""


@pytest.fixture(scope="module")
def asking(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asking]:
    store = open_log(tmp_path_factory.mktemp("log") / "log.db", wait=0.2)
    service = Service(protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW)
    yield Asking.of(service)
    asyncio.run(store.close())


def test_there_are_enough_of_them() -> None:
    assert len(BUNDLES) >= 60
    assert len(set(BUNDLES.values())) == len(BUNDLES)


def test_what_they_are_made_of_is_good(asking: Asking) -> None:
    plain, weighed = (asking("POST", APPLY, JSON, content=each) for each in (PLAIN, WEIGHED))
    assert (plain.status, weighed.status) == (200, 200)
    assert not doses(plain)
    assert doses(weighed)


def doses(told: Told) -> list[str]:
    """What is to be given, by the answer."""
    if told.status != 200:
        return []
    found = [each["resource"] for each in told.json()["entry"]]
    return [each["id"] for each in found if each["resourceType"] == "MedicationRequest"]


def good(body: bytes) -> bool:
    """Whether it is JSON at all: else the whole batch would be none."""
    try:
        orjson.loads(body)
    except orjson.JSONDecodeError:
        return False
    return True


@pytest.mark.parametrize("name", BUNDLES)
def test_it_is_refused_or_answered_without_a_dose(asking: Asking, name: str) -> None:
    began = time.process_time()
    told = asking("POST", APPLY, JSON, content=BUNDLES[name])
    spent = time.process_time() - began

    assert told.status in (200, 400, 413, 422)
    assert not doses(told)
    assert spent < SECONDS
    assert len(told.body) < LARGEST
    assert told.json()["resourceType"] == ("Bundle" if told.status == 200 else "OperationOutcome")
    assert SCRIPT.encode() not in told.body
    for word in (b"onerror", b"passwd", b"DROP TABLE", b"Traceback", b"49$", b"javascript:"):
        assert word not in told.body


def test_the_same_as_entries_of_batches(asking: Asking) -> None:
    small = [orjson.Fragment(body) for body in BUNDLES.values() if len(body) < 9_000 and good(body)]
    request = {"method": "POST", "url": APPLY.removeprefix("/fhir/")}
    entries = [{"request": request, "resource": each} for each in small]
    assert len(entries) > 60
    for start in range(0, len(entries), 40):
        batch = {"resourceType": "Bundle", "type": "batch", "entry": entries[start : start + 40]}
        told = asking("POST", "/fhir", JSON, content=batch)
        assert told.status in (200, 400)
        if told.status == 200:
            for each in told.json()["entry"]:
                assert each["response"]["status"][:3] in ("200", "400", "422")
                assert b"MedicationRequest" not in orjson.dumps(each.get("resource"))
