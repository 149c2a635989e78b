"""The pieces that descriptions of our addresses are made of (OpenAPI 3.1).

https://spec.openapis.org/oas/v3.1.0
"""

from collections.abc import Mapping
from typing import Any

Json = dict[str, Any]

FHIR = "application/fhir+json"
"""Media type of resources, as OpenAPI lists it."""


ID: Json = {"type": "string", "pattern": r"^[A-Za-z0-9.\-]{1,64}$"}
"""Schema of a FHIR id."""
INDEX: Json = {"type": "integer", "minimum": 0, "maximum": 2**63 - 1}
"""Schema of a place in the log."""


def ref(name: str) -> dict[str, str]:
    """A Reference Object to a schema of this document."""
    return {"$ref": f"#/components/schemas/{name}"}


def resource(about: str, schema: Json) -> Json:
    """A Response Object: a FHIR resource of that schema."""
    return {"description": about, "content": {FHIR: {"schema": schema}}}


def outcomes(about: Mapping[int, str]) -> dict[int | str, Json]:
    """Response Objects by status: an OperationOutcome each, and when it is given."""
    return {status: resource(when, ref("OperationOutcome")) for status, when in about.items()}


def header(name: str, about: str, schema: Json | None = None) -> Json:
    """A Parameter Object for a request header."""
    return _parameter("header", name, about, schema)


def query(name: str, about: str, schema: Json | None = None) -> Json:
    """A Parameter Object for a part of the query."""
    return _parameter("query", name, about, schema)


def in_path(name: str, about: str, schema: Json | None = None) -> Json:
    """A Parameter Object for a part of the path."""
    return _parameter("path", name, about, schema) | {"required": True}


def _parameter(place: str, name: str, about: str, schema: Json | None) -> Json:
    shape = schema or {"type": "string"}
    return {"name": name, "in": place, "description": about, "schema": shape}


CORRELATION = [
    header("X-Request-Id", "Repeated in the answer and in the service's own log."),
    header("traceparent", "W3C Trace Context: the trace goes on in the answer and in that log."),
    header("tracestate", "Handed back with a traceparent that is usable."),
]
"""What says which request an answer and a line of the log belong to."""
RETURN = (
    "`return=minimal`: 204 without the answer; `return=OperationOutcome`: only that it was "
    "recorded; `return=representation`: the answer, as without."
)
"""What `Prefer: return=` does."""


def nothing_shown() -> dict[int | str, Json]:
    """The Response Object of 204."""
    about = "Recorded, and with `Prefer: return=minimal` not shown."
    return {204: {"description": about, "headers": RECORDED}}


KEY = (
    "16 to 128 letters, digits and `._~:+/=-` in quotation marks, a UUID is best: the same key "
    "with the same body is answered from the log. Keys never expire."
)
"""What Idempotency-Key does."""
RECORDED: Json = {
    "Cds-Log-Index": {"schema": {"type": "integer"}, "description": "Place in the log, from 0."},
    "Cds-Log-Checkpoint": {
        "schema": {"type": "string"},
        "description": "Base64 of the signed checkpoint that commits to the entry (C2SP "
        "tlog-checkpoint): keep it, it is your witness.",
    },
    "Idempotency-Replayed": {
        "schema": {"const": "true"},
        "description": "Only when this is the stored answer to an earlier request with this key.",
    },
}
"""Headers of every answer that was recorded."""
