"""The answer to a batch: a Bundle of type batch-response (FHIR R4 http.html#transaction)."""

from collections.abc import Sequence
from typing import NamedTuple

import orjson

from cds_service.fhir.write_json import Json


class Answered(NamedTuple):
    """What became of one entry."""

    status: int
    """HTTP status, as the same request alone would have got it."""
    body: bytes = b""
    """The FHIR resource in JSON."""
    is_outcome: bool = False
    """Whether that is an OperationOutcome about the entry, and no resource it asked for."""
    etag: str = ""
    location: str = ""


def write_batch(answered: Sequence[Answered]) -> bytes:
    """One entry for each, in their order; what they hold goes in as the bytes that it is."""
    bundle: Json = {"resourceType": "Bundle", "type": "batch-response"}
    if answered:  # FHIR has no empty arrays
        bundle["entry"] = [_entry(each) for each in answered]
    return orjson.dumps(bundle)


def _entry(one: Answered) -> Json:
    response: Json = {"status": str(one.status)}
    if one.location:
        response["location"] = one.location
    if one.etag:
        response["etag"] = one.etag
    if not one.body:
        return {"response": response}
    if one.is_outcome:
        return {"response": response | {"outcome": orjson.Fragment(one.body)}}
    return {"resource": orjson.Fragment(one.body), "response": response}
