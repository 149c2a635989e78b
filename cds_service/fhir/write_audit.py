"""The answers of `$feedback` and `$replay`, both FHIR Parameters."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import orjson

from cds_service.fhir.audit_event import guidance_reference, proof_address
from cds_service.fhir.read_feedback import Feedback
from cds_service.fhir.write_json import Json


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of replaying one entry."""

    index: int
    equal: bool | None
    """Whether the same bytes came out; None: it could not be replayed."""
    differences: tuple[str, ...] = ()
    """In words, or why it could not be replayed."""


def write_feedback(said: Feedback, about: int, decision: str, now: datetime) -> bytes:
    """What is recorded and answered: the outcome, about what, and when."""
    return orjson.dumps(
        _parameters(
            [
                {"name": "outcome", "valueCode": said.outcome},
                {"name": "about", "valueReference": _guidance(decision, about)},
                {"name": "recorded", "valueInstant": now.isoformat()},
            ]
        )
    )


def replay_parameters(replayed: Iterable[Replayed]) -> Json:
    """The answer of `$replay`: whether all were equal, then each entry."""
    found = list(replayed)
    all_equal = {"name": "equal", "valueBoolean": all(each.equal for each in found)}
    return _parameters([all_equal, *({"name": "entry", "part": _parts(each)} for each in found)])


def _parts(each: Replayed) -> list[Json]:
    parts: list[Json] = [
        {"name": "index", "valueString": str(each.index)},
        {"name": "event", "valueReference": {"reference": f"AuditEvent/log-{each.index}"}},
        {"name": "proof", "valueUri": proof_address(each.index)},
    ]
    if each.equal is not None:
        parts.append({"name": "equal", "valueBoolean": each.equal})
    name = "not-replayed" if each.equal is None else "difference"
    return parts + [{"name": name, "valueString": text} for text in each.differences]


def _guidance(decision: str, index: int) -> Json:
    return {"reference": guidance_reference(decision, index), "type": "GuidanceResponse"}


def _parameters(parameter: list[Json]) -> Json:
    return {"resourceType": "Parameters", "parameter": parameter}
