"""What others publish or make is sent as data: alone, in a Bundle, in a batch, beside our infant.

Never a fault, never a medicine that the infant would not have got without it.
"""

import asyncio
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import orjson

from cds_service.content.load import load
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import open_log
from tests.web.sample import BASE, bundle, parameters

Json = dict[str, Any]
APPLY = "PlanDefinition/sick-young-infant/$apply"


class Poster:
    """The real application over a log of its own."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self.statuses: dict[int, int] = {}
        self.beside = 0
        """Plans for the infant that were made beside what others sent."""
        self._own = _medicines(self.ask(APPLY, parameters()).json())
        assert self._own  # the infant of the sample gets medicines

    def posts(self, resources: Sequence[Json]) -> list[str]:
        """Everything that is wrong with the answers when these resources are sent."""
        together = {"resourceType": "Bundle", "type": "collection", "entry": _entries(resources)}
        asked = [*resources, together, {**together, "type": "transaction"}]
        found = [fault for each in asked for fault in self._without_infant(each)]
        for each in (*([one] for one in resources), resources):
            found += self._beside_the_infant(each)
        return [*found, *self._in_batch(asked)]

    def _without_infant(self, resource: Json) -> Iterator[str]:
        answer = self.ask(APPLY, resource)
        yield from _faults(resource, answer.status_code, answer.json(), ())

    def _in_batch(self, resources: Sequence[Json]) -> Iterator[str]:
        wanted = [{"request": {"method": "POST", "url": APPLY}, "resource": r} for r in resources]
        for start in range(0, len(wanted), 20):
            part = wanted[start : start + 20]
            answer = self.ask("", {"resourceType": "Bundle", "type": "batch", "entry": part})
            if answer.status_code != 200:
                yield f"a batch: {answer.status_code}"
                continue
            for asked, entry in zip(part, answer.json()["entry"], strict=True):
                response = entry["response"]
                body = entry.get("resource") or response["outcome"]
                yield from _faults(asked["resource"], int(response["status"]), body, ())

    def _beside_the_infant(self, resources: Sequence[Json]) -> Iterator[str]:
        data = bundle()
        data["entry"] += _entries(resources)
        answer = self.ask(APPLY, parameters(data={"resource": data}))
        yield from _faults(data, answer.status_code, answer.json(), self._own)
        self.beside += answer.status_code == 200
        if answer.status_code == 200 and _medicines(answer.json()) != self._own:
            yield f"beside {_names(resources)} the infant gets other medicines"

    def ask(self, path: str, body: Json) -> httpx.Response:
        """The answer to one POST below the base."""

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as c:
                headers = {"content-type": "application/fhir+json"}
                sent = orjson.dumps(body)
                return await c.post(f"/fhir/{path}".rstrip("/"), content=sent, headers=headers)

        answer = asyncio.run(once())
        self.statuses[answer.status_code] = self.statuses.get(answer.status_code, 0) + 1
        return answer


@contextmanager
def poster() -> Iterator[Poster]:
    """A Poster with a log that is thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        store = open_log(Path(folder) / "log.db")
        service = Service(load(), store, base=BASE, code_version="0")
        yield Poster(make_app(service, max_body=30_000_000))
        asyncio.run(store.close())


def _entries(resources: Iterable[Json]) -> list[Json]:
    return [
        {"fullUrl": f"http://elsewhere.example/fhir/{_name(each)}-{n}", "resource": each}
        for n, each in enumerate(resources)
    ]


def _faults(sent: Json, status: int, body: Json, medicines: Sequence[bytes]) -> Iterator[str]:
    kind = body.get("resourceType")
    if status == 200:
        if kind != "Bundle" or body["entry"][0]["resource"]["resourceType"] != "GuidanceResponse":
            yield f"{_name(sent)}: 200 and no plan"
        elif not medicines and _medicines(body):
            yield f"{_name(sent)}: a medicine without an infant"
    elif status not in (400, 413, 422):
        yield f"{_name(sent)}: {status}"
    elif kind != "OperationOutcome" or not all(
        each["severity"] == "error" and each["code"] and each["details"]["text"]
        for each in body["issue"]
    ):
        yield f"{_name(sent)}: {status} without a proper OperationOutcome"


def _medicines(answer: Json) -> list[bytes]:
    """What is proposed, without what names the resource itself."""
    found = [each["resource"] for each in answer["entry"]]
    return sorted(
        orjson.dumps([one["dosageInstruction"], one["contained"], one["subject"]])
        for one in found
        if one["resourceType"] == "MedicationRequest"
    )


def _name(resource: Json) -> str:
    return f"{resource.get('resourceType')}/{resource.get('id', '')}".rstrip("/")


def _names(resources: Sequence[Json]) -> str:
    return ", ".join(_name(each) for each in resources[:3])
