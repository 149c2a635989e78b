"""Batches at the base, and the entries of the answers to them."""

import asyncio
from collections.abc import Callable
from typing import Any

import httpx
import orjson
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.sqlite import SqliteStore

from .conftest import JSON, Call
from .sample import PATH, parameters

Json = dict[str, Any]
Post = Callable[..., httpx.Response]
APPLY = PATH.removeprefix("/fhir/")
NOTE = APPLY.replace("$apply", "$referral-note")


def asks(method: str, url: str, resource: Json | None = None, **request: str) -> Json:
    entry: Json = {"request": {"method": method, "url": url, **request}}
    return entry if resource is None else entry | {"resource": resource}


def batch(*entries: Any, kind: str = "batch", **more: Any) -> bytes:
    shell = {"resourceType": "Bundle", "type": kind, **more}
    return orjson.dumps(shell | ({"entry": entries} if entries else {}))


PLAN = asks("POST", APPLY, parameters())


def posting(call: Call) -> Post:
    """Posts a batch to the base; headers are put instead of, or beside, the usual ones."""

    def send(content: bytes, /, **headers: str) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return call("POST", "/fhir", content=content, headers=JSON | named)

    return send


def entries(answer: httpx.Response) -> list[Json]:
    """The entries of a batch-response; it is one as R4 defines it."""
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    assert (found["resourceType"], found["type"]) == ("Bundle", "batch-response")
    shell = [{"response": each["response"]} for each in found.get("entry", [])]
    get_fhir_model_class("Bundle").model_validate(found | {"entry": shell} if shell else found)
    return list(found.get("entry", []))


def statuses(answer: httpx.Response) -> list[str]:
    return [each["response"]["status"] for each in entries(answer)]


def refusal(entry: Json) -> Json:
    """The one issue about a refused entry."""
    assert "resource" not in entry
    outcome = entry["response"]["outcome"]
    get_fhir_model_class("OperationOutcome").model_validate(outcome)
    (found,) = outcome["issue"]
    assert found["severity"] == "error"
    return dict(found)


def size(store: SqliteStore) -> int:
    return asyncio.run(store.size())
