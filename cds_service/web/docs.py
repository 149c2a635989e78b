"""What OpenAPI cannot know by itself: the operation that is served beside the framework.

The schemas of the request are made from the shapes that the reader decodes with, so the page
shows exactly what is read. OpenAPI 3.1, https://spec.openapis.org/oas/v3.1.0.
"""

from typing import Any

import msgspec
from fastapi import FastAPI

from cds_service.fhir import times, wire, wire_resources
from cds_service.service import Service
from cds_service.web.apply import APPLY, NOTE, TYPE, path
from cds_service.web.batch import PATH as BASE
from cds_service.web.docs_batch import batch
from cds_service.web.docs_example import infant
from cds_service.web.openapi import (
    CORRELATION,
    ID,
    KEY,
    RECORDED,
    RETURN,
    header,
    nothing_shown,
    outcomes,
    ref,
    resource,
)

DESCRIPTION = f"""
Decision support for the sick young infant (0-59 days), FHIR R4 (4.0.1).

Every answer is a **proposal for a licensed health worker** and defers to the national protocol.
What was not assessed is never taken as absent: the answer says what is missing.

The main call is `POST /fhir/{TYPE}/{{id}}/$apply`. Unless the service serves its own machine only,
each call needs a token: `GET /.well-known/smart-configuration` says where to get one.
"""

_WHEN = r"^\d{4}(-\d\d(-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d))?)?)?$"

_STATUSES = {
    400: "Not JSON, a repeated key, not FHIR R4; or the Idempotency-Key is not usable.",
    405: "Another method than POST.",
    406: "The caller does not accept JSON.",
    410: "The answer that belongs to the Idempotency-Key was erased; Link says where the proof is.",
    413: "The request is too large.",
    415: "The request is not declared as FHIR R4 in JSON and UTF-8.",
    422: "Understood, but no plan can be made from it; or the key belongs to another request.",
    500: "The service failed: use the paper chart and the national protocol.",
    503: "The recommendation could not be recorded, so none is given; Retry-After says when.",
}


def describe(app: FastAPI, service: Service) -> None:
    """Add the operation and the schemas of its request to the app's OpenAPI document."""
    made_by_framework = app.openapi

    def openapi() -> dict[str, Any]:
        document = made_by_framework()
        document["paths"] |= {
            path(service, code): {"post": operation(service, code)} for code in (APPLY, NOTE)
        } | {BASE: {"post": batch(service)}}
        document.setdefault("components", {}).setdefault("schemas", {}).update(schemas())
        return document

    app.openapi = openapi  # type: ignore[method-assign]


_SUMMARIES = {
    APPLY: "Classify, dose, refer or treat: protocol {protocol}",
    NOTE: "The note that travels with a referred infant, as a FHIR document: protocol {protocol}",
}


def operation(service: Service, code: str) -> dict[str, Any]:
    """The Operation Object of `$apply`, or of `$referral-note`."""
    known = ", ".join(service.protocol.languages)
    answers = {str(status): answer for status, answer in outcomes(_STATUSES).items()}
    return {
        "tags": ["recommendation"],
        "summary": _SUMMARIES[code].format(protocol=service.protocol.id),
        "description": "The body is FHIR `Parameters`, or simply the data `Bundle`. The answer is "
        "recorded durably before it leaves.",
        "operationId": code,
        "parameters": [
            header("Prefer", f"`handling=strict` refuses elements that are not read. {RETURN}", {
                "type": "string", "examples": ["handling=strict", "return=minimal"],
            }),
            header("Accept-Language", f"Languages there are: {known}."),
            header("Idempotency-Key", KEY),
            *CORRELATION,
        ],
        "requestBody": {
            "required": True,
            "content": {
                media: {
                    "schema": {"oneOf": [ref("Parameters"), ref("Bundle")]},
                    "examples": {"infant": {"value": infant(service.base)}},
                }
                for media in ("application/fhir+json", "application/json")
            },
        },
        "responses": {"200": _recommendation(code), "204": nothing_shown()[204], **answers},
    }  # fmt: skip


def schemas() -> dict[str, Any]:
    """JSON Schema of each resource and data type that is read; other elements are ignored."""
    readable = wire.Bundle[wire_resources.Readable]
    _, made = msgspec.json.schema_components(
        (readable, wire.Parameters[readable]),
        schema_hook=_time,
        ref_template=ref("{name}")["$ref"],
    )
    found = _renamed(made)
    resource = found["Entry"]["properties"]["resource"]
    other = {"type": "object", "description": "A resource of any other type is ignored."}
    found["Entry"]["properties"]["resource"] = {"anyOf": [*resource["anyOf"], other]}
    for schema in found.values():
        if "id" in schema["properties"]:
            schema["properties"]["id"] = ID
    found["Entry"]["properties"]["fullUrl"] |= {
        "pattern": "^[a-z]+:", "description": "An absolute address without a version (bdl-8).",
    }  # fmt: skip
    quantity = found["Quantity"]["properties"]
    quantity["value"] = {"type": "number"}
    del quantity["#"]  # the reader's own
    # The reader's notes for its programmers say nothing to a caller.
    found["Entry"]["description"] = "One entry of a Bundle."
    found["Quantity"]["description"] = "FHIR Quantity."
    found["OperationOutcome"] = {
        "type": "object",
        "description": "FHIR OperationOutcome: code, severity, place (FHIRPath), what to do.",
        "properties": {"resourceType": {"const": "OperationOutcome"}, "issue": {"type": "array"}},
        "required": ["resourceType", "issue"],
    }
    return found


def _renamed(made: dict[str, Any]) -> dict[str, Any]:
    """The components by FHIR's names: `Bundle` for what msgspec calls `Bundle_..._`."""
    text = msgspec.json.encode(made).decode()
    for name in sorted(made, key=len, reverse=True):
        text = text.replace(f'"{name}"', f'"{_short(name)}"').replace(
            f'/{name}"', f'/{_short(name)}"'
        )
    renamed: dict[str, Any] = msgspec.json.decode(text)
    for name, schema in renamed.items():
        schema["title"] = name
    return renamed


def _short(name: str) -> str:
    return name.partition("_")[0]


def _recommendation(code: str) -> dict[str, Any]:
    about = (
        "A Bundle of type `collection`; its first entry is the GuidanceResponse, "
        "whose status says whether something is missing."
    )
    if code == NOTE:
        about = "A Bundle of type `document`; its first entry is the Composition."
    return resource(about, ref("Bundle")) | {
        "headers": {
            **RECORDED,
            "CDS-Decision-Id": {"schema": {"type": "string", "format": "uuid"}},
            "Content-Language": {"schema": {"type": "string"}},
        }
    }


def _time(kind: type) -> dict[str, Any]:
    if kind is not times.When:
        raise TypeError(f"no schema for {kind}")
    about = "A FHIR date, dateTime or instant; a time has seconds and an offset."
    return {"type": "string", "pattern": _WHEN, "description": about}
