"""Calls of CDS Hooks made from what the main call is sent: the same infant, asked otherwise."""

import json
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

import orjson

from cds_service.fhir.hook_data import TEMPLATES
from cds_service.fhir.read_hook import EXTENSION
from cds_service.fhir.write_json import exactly

Json = dict[str, Any]
INSTANCE = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"
"""The hookInstance of the specification's own example."""
_KEYS = {query.partition("?")[0].partition("/")[0]: key for key, query in TEMPLATES.items()}
_HERE = frozenset({"subject", "encounter", "data"})


def plan_call(apply: bytes, **changes: Any) -> Json:
    """A call of `patient-view` with the data of a request to `$apply`."""
    data, extra = _data(json.loads(apply, parse_float=Decimal))
    entries = data.get("entry", [])
    patient = next(e for e in entries if e["resource"]["resourceType"] == "Patient")
    call: Json = {
        "hook": "patient-view",
        "hookInstance": INSTANCE,
        "context": {"userId": "Practitioner/quill", "patientId": patient["resource"]["id"]},
        "prefetch": prefetched(entries),
    }
    visits = [e["resource"]["id"] for e in entries if e["resource"]["resourceType"] == "Encounter"]
    if visits:
        call["context"]["encounterId"] = visits[0]
    if extra:
        call["extension"] = {EXTENSION: extra}
    return call | changes


def _data(body: Json) -> tuple[Json, list[Json]]:
    if body["resourceType"] == "Bundle":
        return body, []
    by_name = {each["name"]: each for each in body["parameter"]}
    extra = [each for each in body["parameter"] if each["name"] not in _HERE]
    return by_name["data"]["resource"], extra


def prefetched(entries: Iterable[Json]) -> Json:
    """Each template answered as a server would: a searchset, or null when there is nothing."""
    found: dict[str, list[Json]] = {}
    for entry in entries:
        found.setdefault(_KEYS.get(entry["resource"]["resourceType"], "other"), []).append(entry)
    sets: Json = dict.fromkeys(TEMPLATES)
    for key, those in found.items():
        sets[key] = {"resourceType": "Bundle", "type": "searchset", "entry": those}
    return sets


def order_call(
    apply: bytes, orders: Iterable[Json], *, hook: str = "order-sign", **changes: Any
) -> Json:
    """A call about drafted orders, for the infant of a request to `$apply`."""
    call = plan_call(apply) | {"hook": hook}
    drafts = [{"resource": each} for each in orders]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": drafts}
    call["context"] = call["context"] | {"draftOrders": bundle}
    return call | changes


def sent(call: Mapping[str, Any]) -> bytes:
    """The call as it goes over the wire; decimals keep their digits."""
    return orjson.dumps(exactly(dict(call)))
