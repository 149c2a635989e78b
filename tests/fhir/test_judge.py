"""The judge must be able to say no: each fault that the models let pass is refused."""

import json
from typing import Any

import pytest
from pydantic import ValidationError

from cds_service.fhir.write import write
from tests.fhir import decisions
from tests.fhir.judge import judged


def _spoilt(kind: str, change: Any) -> bytes:
    bundle = json.loads(write(decisions.severe(), base=decisions.BASE, language=""))
    resource = next(
        entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == kind
    )
    change(resource)
    return json.dumps(bundle).encode()


def _set(*path: str | int, to: Any) -> Any:
    def change(resource: Any) -> None:
        for name in path[:-1]:
            resource = resource[name]
        resource[path[-1]] = to

    return change


_DOSE = ("dosageInstruction", 0)
_FAULTS = {
    "status": ("MedicationRequest", _set("status", to="activ")),
    "intent": ("ServiceRequest", _set("intent", to="order")),
    "exponent": (
        "MedicationRequest",
        _set(*_DOSE, "doseAndRate", 0, "doseQuantity", "value", to=1e-7),
    ),
    "null": ("CarePlan", _set("title", to="")),
    "empty array": ("DetectedIssue", _set("implicated", to=[])),
    "qty-3": (
        "MedicationRequest",
        _set("dispenseRequest", "quantity", to={"value": 7, "code": "{tbl}"}),
    ),
    "tim-2": ("MedicationRequest", _set(*_DOSE, "timing", "repeat", to={"period": 1})),
    "periodUnit": (
        "MedicationRequest",
        _set(*_DOSE, "timing", "repeat", to={"period": 1, "periodUnit": "day"}),
    ),
    "dom-3": ("MedicationRequest", _set("medicationReference", "reference", to="#other")),
    "rqg-1": ("RequestGroup", _set("action", 0, "resource", to={"reference": "urn:uuid:x"})),
    "con-2": ("Condition", _set("evidence", 0, to={"id": "bare"})),
    "severity": ("DetectedIssue", _set("severity", to="grave")),
}


@pytest.mark.parametrize(("kind", "change"), _FAULTS.values(), ids=_FAULTS)
def test_the_judge_refuses(kind: str, change: Any) -> None:
    with pytest.raises((AssertionError, ValidationError)):
        judged(_spoilt(kind, change))


def test_the_judge_accepts_what_was_not_spoilt() -> None:
    assert judged(_spoilt("CarePlan", lambda _: None))
