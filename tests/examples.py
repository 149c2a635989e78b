"""The stories of examples/: their requests, the answers to them, and what a README may claim.

`claims` tells an answer in a few lines, read from the FHIR alone as an integrator would: from the
RequestGroup by its actions to the resources they name.
"""

import json
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import orjson

from cds_service import __version__
from cds_service.content.load import load
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import open_log

FOLDER = Path(__file__).parent.parent / "examples"
STORIES = sorted(path.parent.name for path in FOLDER.glob("*/request.json"))
BASE = "http://cds-service.example/fhir"
PATH = "/fhir/PlanDefinition/sick-young-infant/$apply"

NOTE = PATH.replace("$apply", "$referral-note")
WITH_NOTE = sorted(path.parent.name for path in FOLDER.glob("*/referral-note.json"))
"""Stories that also show the note that travels with the infant."""

Json = dict[str, Any]


async def answers(log: Path, path: str = PATH, **headers: str) -> dict[str, httpx.Response]:
    """The answer of the real application to each story, in order; `log` is its SQLite file."""
    service = Service(load(), open_log(log), base=BASE, code_version=__version__)
    transport = httpx.ASGITransport(app=make_app(service))
    usual = {"content-type": "application/fhir+json"}
    try:
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
            return {
                story: await client.post(path, content=sent(story), headers=usual | headers)
                for story in (STORIES if path == PATH else WITH_NOTE)
            }
    finally:
        await service.store.close()


def sent(story: str) -> bytes:
    return (FOLDER / story / "request.json").read_bytes()


def stored(story: str) -> str:
    return (FOLDER / story / "response.json").read_text(encoding="utf-8")


def stored_note(story: str) -> str:
    return (FOLDER / story / "referral-note.json").read_text(encoding="utf-8")


def readme(story: str) -> str:
    return (FOLDER / story / "README.md").read_text(encoding="utf-8")


def pretty(answer: bytes) -> str:
    """The answer for people; a number keeps the very digits in which it was written.

    >>> print(pretty(b'{"value":0.50}'), end="")
    {
      "value": 0.50
    }
    """
    return _written(answer, orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def compact(text: str) -> bytes:
    """The same as it goes over the wire.

    >>> compact(pretty(b'{"value":0.50}'))
    b'{"value":0.50}'
    """
    return _written(text.encode(), 0).encode()


def _written(text: bytes, option: int) -> str:
    tree = json.loads(text, parse_float=orjson.Fragment)
    return orjson.dumps(tree, option=option).decode()


def block(text: str) -> list[str]:
    """The lines of the fenced block `answer` of a README."""
    (found,) = re.findall(r"^```answer\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    return found.splitlines()


def claims(answer: bytes) -> list[str]:
    """An answer in short: status, classes, choice, orders, visits, what is needed, cautions."""
    bundle = json.loads(answer, parse_float=Decimal)
    by_url = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    kinds: dict[str, list[Json]] = {}
    for resource in by_url.values():
        kinds.setdefault(resource["resourceType"], []).append(resource)
    (guidance,), (group,) = kinds["GuidanceResponse"], kinds["RequestGroup"]
    actions = group.get("action", [])
    return [
        f"status: {guidance['status']}",
        *(f"class: {_code(each)}" for each in kinds.get("Condition", [])),
        f"choice: {_choice(actions)}",
        *_orders(actions, by_url, "give"),
        *(f"visit: {_when(each)}" for each in kinds.get("ServiceRequest", []) if _when(each)),
        *(f"needed: {_needed(each)}" for each in guidance.get("dataRequirement", [])),
        *dict.fromkeys(f"caution: {_code(each)}" for each in kinds.get("DetectedIssue", [])),
    ]


def _code(resource: Json) -> str:
    return str(resource["code"]["coding"][0]["code"])


def _choice(actions: list[Json]) -> str:
    for action in actions:
        inside = [each.get("id") for each in action.get("action", [])]
        if inside == ["refer", "here"] and action["selectionBehavior"] == "exactly-one":
            return "exactly one of refer and here"
    groups = {action["id"]: action for action in actions if "id" in action}
    if set(groups) == {"refer", "here"}:
        after = [each["actionId"] for each in groups["here"].get("relatedAction", [])]
        return "refer; here only if that fails" if after == ["refer"] else "here; referral is due"
    return " ".join(groups) or "none"


def _orders(actions: list[Json], by_url: dict[str, Json], branch: str) -> Iterator[str]:
    """The medicines by branch; those of which one is given are marked."""
    for action in actions:
        resource = by_url.get(action.get("resource", {}).get("reference", ""), {})
        if resource.get("resourceType") == "MedicationRequest":
            yield f"{branch}: {_order(resource)}"
        one_of = ", one of" if action.get("selectionBehavior") == "exactly-one" else ""
        inside = action.get("id", f"{branch}{one_of}")
        yield from _orders(action.get("action", []), by_url, inside)


def _order(order: Json) -> str:
    (medication,) = order["contained"]
    if "coding" not in medication["code"]:
        return _fluid(medication["code"]["text"], order["dosageInstruction"])
    product = medication["code"]["coding"][1]["code"]
    (dosage,) = order["dosageInstruction"]
    measured, contained = (
        f"{dose['doseQuantity']['value']} {dose['doseQuantity']['code']}"
        for dose in dosage["doseAndRate"]
    )
    return f"{product}, {measured} = {contained}, {_course(dosage['timing']['repeat'])}"


def _fluid(name: str, steps: list[Json]) -> str:
    """A fluid by its steps: how much in how long, as far as that is said."""
    told = [name]
    for step in steps:
        (amount,) = step.get("doseAndRate", [{}])
        low, high = (
            amount.get("doseRange", {}).get(end, {}).get("value") for end in ("low", "high")
        )
        volume = amount.get("doseQuantity", {}).get("value") or (f"{low} to {high}" if high else "")
        repeat = step.get("timing", {}).get("repeat", {})
        within = (
            f" in {repeat['duration']} {repeat['durationUnit']}" if "duration" in repeat else ""
        )
        told += [f"{volume} mL{within}"] if volume else []
    return ", ".join(told)


def _course(repeat: Json) -> str:
    if "count" in repeat:
        return "once"
    bounds = repeat.get("boundsDuration")
    length = f"{bounds['value']} {bounds['code']}" if bounds else "open"
    return f"{repeat['frequency']} a day, {length}"


def _when(request: Json) -> str:
    """The day of a visit, or its first and last; "" for a request that is no visit."""
    if "occurrenceDateTime" in request:
        return str(request["occurrenceDateTime"])
    bounds = request.get("occurrenceTiming", {}).get("repeat", {}).get("boundsPeriod")
    return f"{bounds['start']} to {bounds['end']}, daily" if bounds else ""


def _needed(requirement: Json) -> str:
    if "codeFilter" not in requirement:
        return f"{requirement['type']}.{requirement['mustSupport'][0]}"
    return str(requirement["codeFilter"][0]["code"][0]["code"])
