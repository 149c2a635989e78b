"""The log read as FHIR: its addresses, and what an answer holds once fhir.resources has read it."""

from typing import Any

import httpx
from fhir.resources.R4B import get_fhir_model_class

Json = dict[str, Any]
AUDIT = "/fhir/AuditEvent"
ORLA = "http://tolm-ford.example/fhir/Patient/orla-fenn"
FORM = {"content-type": "application/x-www-form-urlencoded"}


def valid(answer: httpx.Response) -> Json:
    """The Bundle, after R4B's own model has read it."""
    assert answer.status_code == 200, answer.text
    bundle: Json = answer.json()
    get_fhir_model_class(bundle["resourceType"]).model_validate(bundle)
    return bundle


def indexes(bundle: Json) -> list[int]:
    """The entries that were found, in their order."""
    ids = [
        each["resource"]["id"]
        for each in bundle.get("entry", ())
        if each["search"]["mode"] == "match"
    ]
    return [int(each.removeprefix("log-")) for each in ids]


def links(bundle: Json) -> dict[str, str]:
    return {each["relation"]: each["url"] for each in bundle["link"]}
