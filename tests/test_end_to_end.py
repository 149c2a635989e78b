"""From the bytes of a request to the bytes of the answer, over HTTP and across processes."""

import asyncio
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cds_service import __version__
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.examples import BASE, PATH, STORIES, sent
from tests.fhir.decisions import protocol
from tests.fhir.hostile import HOSTILE, Hostile
from tests.logs import open_log

Json = dict[str, Any]
FIRST = STORIES[0]
V2 = "http://terminology.hl7.org/CodeSystem/v2-0136"
SNOMED = "http://snomed.info/sct"
# HL7 v2-0136 Y / N; SNOMED CT 52101004 present, 2667000 absent (FHIR R4 value sets).
SPELLINGS: dict[str, Callable[[bool], Json]] = {
    "boolean": lambda yes: {"valueBoolean": yes},
    "v2": lambda yes: _concept(V2, "Y" if yes else "N"),
    "snomed": lambda yes: _concept(SNOMED, "52101004" if yes else "2667000"),
}


def _concept(system: str, code: str) -> Json:
    return {"valueCodeableConcept": {"coding": [{"system": system, "code": code}]}}


def post(folder: Path, *bodies: bytes, **headers: str) -> list[httpx.Response]:
    """Post each body to the real application over one log."""

    async def run() -> list[httpx.Response]:
        store = open_log(folder / "log.db")
        service = Service(protocol(), store, base=BASE, code_version=__version__)
        transport = httpx.ASGITransport(app=make_app(service))
        usual = {"content-type": "application/fhir+json"} | headers
        try:
            async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as c:
                return [await c.post(PATH, content=body, headers=usual) for body in bodies]
        finally:
            await store.close()

    return asyncio.run(run())


@pytest.fixture(scope="module")
def hostile_answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, httpx.Response]:
    folder = tmp_path_factory.mktemp("hostile")
    return dict(
        zip((one.name for one in HOSTILE), post(folder, *(h.body for h in HOSTILE)), strict=True)
    )


@pytest.mark.parametrize("one", HOSTILE, ids=lambda one: one.name)
def test_a_hostile_request_never_leads_to_a_dose_or_a_fault(
    one: Hostile, hostile_answers: dict[str, httpx.Response]
) -> None:
    answer = hostile_answers[one.name]
    assert answer.status_code == one.status
    body = answer.json()
    if one.status != 200:
        assert body["resourceType"] == "OperationOutcome"
        assert all(issue["diagnostics"] for issue in body["issue"])
        return
    kinds = [entry["resource"]["resourceType"] for entry in body["entry"]]
    assert "MedicationRequest" not in kinds
    assert "DetectedIssue" in kinds


def observations(body: Json) -> list[Json]:
    (data,) = [each["resource"] for each in body["parameter"] if each["name"] == "data"]
    entries = data["entry"]
    return [e["resource"] for e in entries if e["resource"]["resourceType"] == "Observation"]


def respelt(spelling: str, unit: str, seed: int) -> bytes:
    """The first story with its answers spelt otherwise, its weight in a unit, its order mixed."""
    body = json.loads(sent(FIRST))
    for each in observations(body):
        yes = each.pop("valueBoolean", None)
        if yes is not None:
            each.update(SPELLINGS[spelling](yes))
        elif unit == "g" and each["valueQuantity"]["code"] == "kg":
            grams = round(each["valueQuantity"]["value"] * 1000)
            each["valueQuantity"] |= {"value": grams, "unit": "g", "code": "g"}
    for part in body["parameter"]:
        if part["name"] == "data":
            random.Random(seed).shuffle(part["resource"]["entry"])
    return json.dumps(body).encode()


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(st.sampled_from(sorted(SPELLINGS)), st.sampled_from(["kg", "g"]), st.integers(0, 10**6))
def test_order_unit_and_spelling_do_not_change_one_byte(
    tmp_path: Path, spelling: str, unit: str, seed: int
) -> None:
    plain, other = post(tmp_path, sent(FIRST), respelt(spelling, unit, seed))
    assert other.status_code == 200
    assert other.content == plain.content
    assert other.headers["cds-decision-id"] == plain.headers["cds-decision-id"]
    assert int(other.headers["cds-log-index"]) == int(plain.headers["cds-log-index"]) + 1


def test_the_same_bytes_from_another_process_with_another_hash_seed(tmp_path: Path) -> None:
    story = tmp_path / "request.json"
    story.write_bytes(sent(FIRST))
    answers = {
        subprocess.run(
            [sys.executable, "-m", "cds_service", "recommend", str(story), "--json"],
            check=True,
            capture_output=True,
            env=os.environ
            | {"PYTHONHASHSEED": seed, "CDS_DATABASE_URL": f"sqlite:///{tmp_path}/log{seed}.db"},
        ).stdout
        for seed in ("1", "4242")
    }
    (here,) = post(tmp_path, sent(FIRST))
    assert len(answers) == 1
    assert json.loads(answers.pop()) == here.json()
