"""What OpenAPI says of the batch; it is served beside the framework too."""

from typing import Any

from cds_service.service import Service
from cds_service.web.apply import path
from cds_service.web.batch import LONGEST_KEY, PATH
from cds_service.web.docs_example import infant
from cds_service.web.openapi import CORRELATION, FHIR, RECORDED, Json, header, outcomes, resource

_STATUSES = {
    400: "Not JSON, a repeated key, no Bundle; or the Idempotency-Key is not usable.",
    405: "Another method than POST.",
    406: "The caller does not accept JSON.",
    413: "The request is too large, or has too many entries.",
    415: "The request is not declared as FHIR R4 in JSON and UTF-8.",
    422: "The Bundle is of another type, or a rule may change its meaning.",
    500: "The service failed.",
    501: "A transaction: only batch is offered.",
    503: "The service is being stopped; Retry-After says when to try again.",
}
_KEY = (
    f"16 to {LONGEST_KEY} letters, digits and `._~:+/=-` in quotation marks: with the number of an "
    "entry behind it, the key of each entry."
)
_ENTRY: Json = {
    "type": "object",
    "description": "One request; it is answered as if it had come alone.",
    "properties": {
        "fullUrl": {"type": "string"},
        "resource": {"type": "object", "description": "What is posted: to $apply, Parameters."},
        "request": {
            "type": "object",
            "properties": {
                "method": {"enum": ["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH"]},
                "url": {"type": "string", "description": "Relative to the base, with its query."},
                "ifNoneMatch": {"type": "string", "description": "With GET: the ETag."},
            },
            "required": ["method", "url"],
        },
    },
    "required": ["request"],
}
_BATCH: Json = {
    "type": "object",
    "title": "BatchBundle",
    "description": "FHIR Bundle of type batch.",
    "properties": {
        "resourceType": {"const": "Bundle"},
        "type": {"const": "batch"},
        "entry": {"type": "array", "items": _ENTRY},
    },
    "required": ["resourceType", "type"],
}
_ANSWER: Json = {
    "type": "object",
    "description": "FHIR Bundle of type batch-response: an entry for each, in their order.",
    "properties": {
        "resourceType": {"const": "Bundle"},
        "type": {"const": "batch-response"},
        "entry": {"type": "array", "items": {"type": "object", "required": ["response"]}},
    },
    "required": ["resourceType", "type"],
}


def batch(service: Service) -> dict[str, Any]:
    """The Operation Object of the batch interaction."""
    url = path(service).removeprefix(f"{PATH}/")
    plan = {"request": {"method": "POST", "url": url}, "resource": infant(service.base)}
    read = {"request": {"method": "GET", "url": "CodeSystem/finding"}}
    example = {"resourceType": "Bundle", "type": "batch", "entry": [plan, read]}
    asked = {"schema": _BATCH, "examples": {"plan-and-read": {"value": example}}}
    answers = {str(status): answer for status, answer in outcomes(_STATUSES).items()}
    good = resource("Whatever became of each entry: `response.status` says it.", _ANSWER)
    told = {name: RECORDED[name] for name in ("Cds-Log-Checkpoint", "Idempotency-Replayed")}
    return {
        "tags": ["recommendation"],
        "summary": "Many requests in one Bundle, each answered by itself",
        "description": "FHIR R4 batch. A transaction is not offered.",
        "operationId": "batch",
        "parameters": [
            header("Prefer", "Holds for each entry; what `return` leaves out is `resource`."),
            header("Accept-Language", "Holds for each entry."),
            header("Idempotency-Key", _KEY),
            *CORRELATION,
        ],
        "requestBody": {
            "required": True,
            "content": dict.fromkeys((FHIR, "application/json"), asked),
        },
        "responses": {"200": good | {"headers": told}, **answers},
    }
