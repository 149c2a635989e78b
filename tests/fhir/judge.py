"""The judge of every Bundle that is written.

`fhir.resources` judges the structure (it does not know required codes or invariants); what it
misses is checked here by hand, each with the name that FHIR R4 gives it.
"""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from fhir.resources.R4B.bundle import Bundle

_CODES: dict[tuple[str, str], set[str]] = {
    ("GuidanceResponse", "status"): {"success", "data-requested", "data-required"},
    ("CarePlan", "status"): {"draft"},
    ("CarePlan", "intent"): {"proposal"},
    ("RequestGroup", "status"): {"draft"},
    ("RequestGroup", "intent"): {"proposal"},
    ("MedicationRequest", "status"): {"draft"},
    ("MedicationRequest", "intent"): {"proposal", "option"},
    ("ServiceRequest", "status"): {"draft"},
    ("ServiceRequest", "intent"): {"proposal", "option"},
    ("ServiceRequest", "priority"): {"routine", "urgent", "asap", "stat"},
    ("CommunicationRequest", "status"): {"draft"},
    ("DetectedIssue", "status"): {"final"},
    ("DetectedIssue", "severity"): {"high", "moderate", "low"},
}
_ACTION_CODES = {
    "priority": {"routine", "urgent", "asap", "stat"},
    "groupingBehavior": {"visual-group", "logical-group", "sentence-group"},
    "selectionBehavior": {
        "any",
        "all",
        "all-or-none",
        "exactly-one",
        "at-most-one",
        "one-or-more",
    },
}
_ARTIFACT = {
    "documentation",
    "justification",
    "citation",
    "predecessor",
    "successor",
    "derived-from",
    "depends-on",
    "composed-of",
}
_RELATIONS = {
    "before-start",
    "before",
    "before-end",
    "concurrent-with-start",
    "concurrent",
    "concurrent-with-end",
    "after-start",
    "after",
    "after-end",
}
_UNITS_OF_TIME = {"s", "min", "h", "d", "wk", "mo", "a"}
# In the R4B models but not in R4 (4.0.1): never written.
_ONLY_R4B = {"subjectCanonical", "valueCodeableReference", "valueRatioRange"}


def judged(body: bytes) -> dict[str, Any]:
    """Validate an answer and return it as a dict; raises AssertionError or ValidationError."""
    Bundle.model_validate_json(body)
    bundle: dict[str, Any] = json.loads(body, parse_float=_Exact, parse_constant=_refuse)
    assert bundle["resourceType"] == "Bundle"
    assert bundle["type"] == "collection"
    check_values(bundle)
    check_addresses(bundle)
    for resource in resources(bundle):
        check_resource(resource)
    return bundle


class _Exact(str):
    """A number as it was written."""

    __slots__ = ()


def _refuse(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


def resources(bundle: Mapping[str, Any], kind: str = "") -> list[dict[str, Any]]:
    """The resources of a Bundle, of one type when a type is given."""
    every = [entry["resource"] for entry in bundle["entry"]]
    return [each for each in every if not kind or each["resourceType"] == kind]


def nodes(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every value inside a value, with the names that lead to it."""
    yield path, value
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from nodes(inner, f"{path}.{name}")
    elif isinstance(value, list):
        for inner in value:
            yield from nodes(inner, path)


def check_values(bundle: Mapping[str, Any]) -> None:
    """No null, no empty array, object or text, no exponent, nothing that only R4B has (ele-1)."""
    for path, value in nodes(bundle):
        assert value is not None, path
        assert value not in ([], {}, ""), path
        if isinstance(value, _Exact):
            assert re.fullmatch(r"-?\d+\.\d*[1-9]", value), f"{path}: {value}"
        if isinstance(value, str) and not isinstance(value, _Exact):
            assert value == value.strip(), f"{path}: {value!r}"
        if isinstance(value, dict):
            assert not _ONLY_R4B & set(value), path


def check_addresses(bundle: Mapping[str, Any]) -> None:
    """bdl-3, bdl-7, bdl-8: fullUrl unique, urn:uuid of the id, no request; ids are unique."""
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
    for entry in bundle["entry"]:
        assert set(entry) == {"fullUrl", "resource"}
        assert entry["fullUrl"] == f"urn:uuid:{entry['resource']['id']}"


def own_references(bundle: Mapping[str, Any]) -> set[str]:
    """Every urn:uuid that a resource of the answer refers to."""
    return {
        value["reference"]
        for _, value in nodes(bundle)
        if isinstance(value, dict) and str(value.get("reference", "")).startswith("urn:uuid:")
    }


def check_resource(resource: Mapping[str, Any]) -> None:
    """Required codes, and the invariants that the models do not know."""
    kind = resource["resourceType"]
    for (type_, name), allowed in _CODES.items():
        if type_ == kind and (type_ != "CommunicationRequest" or name in resource):
            assert resource.get(name) in allowed, f"{kind}.{name}: {resource.get(name)}"
    for path, value in nodes(resource):
        if isinstance(value, dict):
            check_datatype(path, value)
    _check_contained(resource)
    if kind == "RequestGroup":
        check_actions(resource.get("action", []))
    if kind == "Condition":
        _check_condition(resource)
    if kind == "CarePlan":
        assert all(set(each) == {"reference"} for each in resource["activity"]), "cpl-3"


def check_datatype(path: str, value: Mapping[str, Any]) -> None:
    """qty-3, tim-1 to tim-10, per-1, rat-1 and the codes of Timing and RelatedArtifact."""
    if "value" in value and "code" in value and "system" not in value:
        raise AssertionError(f"qty-3: {path}")
    if path.endswith(".repeat"):
        _check_repeat(value)
    if path.endswith("Period"):
        assert value.get("start", "") <= value.get("end", "~"), f"per-1: {path}"
    if path.endswith(".strength"):
        assert {"numerator", "denominator"} == set(value), f"rat-1: {path}"
    if path.endswith(".documentation") and isinstance(value, dict):
        assert value["type"] in _ARTIFACT, path


def _check_repeat(repeat: Mapping[str, Any]) -> None:
    assert ("duration" in repeat) <= ("durationUnit" in repeat), "tim-1"
    assert ("period" in repeat) <= ("periodUnit" in repeat), "tim-2"
    assert float(repeat.get("period", 1)) >= 0, "tim-5"
    assert ("periodMax" in repeat) <= ("period" in repeat), "tim-6"
    assert ("countMax" in repeat) <= ("count" in repeat), "tim-8"
    assert not {"timeOfDay", "when"} <= set(repeat), "tim-10"
    assert repeat.get("periodUnit", "d") in _UNITS_OF_TIME
    assert repeat.get("count", 1) >= 1
    assert repeat.get("frequency", 1) >= 1


def _check_contained(resource: Mapping[str, Any]) -> None:
    text = json.dumps({key: value for key, value in resource.items() if key != "contained"})
    for inner in resource.get("contained", []):
        assert "contained" not in inner, "dom-2"
        assert f'"#{inner["id"]}"' in text, "dom-3"
        assert not {"versionId", "lastUpdated"} & set(inner.get("meta", {})), "dom-4"


def _check_condition(resource: Mapping[str, Any]) -> None:
    def code(name: str) -> str:
        return str(resource[name]["coding"][0]["code"])

    assert code("clinicalStatus") == "active"
    assert code("verificationStatus") in {"provisional", "differential"}, "con-5"
    for evidence in resource.get("evidence", []):
        assert {"code", "detail"} & set(evidence), "con-2"


def actions(found: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Every action, however deep."""
    for action in found:
        yield action
        yield from actions(action.get("action", []))


def check_actions(found: list[dict[str, Any]]) -> None:
    """rqg-1, the codes of an action, and that a related action exists."""
    every = list(actions(found))
    ids = {action["id"] for action in every if "id" in action}
    for action in every:
        assert ("resource" in action) != ("action" in action), f"rqg-1: {action.get('title')}"
        for name, allowed in _ACTION_CODES.items():
            assert name not in action or action[name] in allowed, name
        for related in action.get("relatedAction", []):
            assert related["actionId"] in ids, related
            assert related["relationship"] in _RELATIONS, related
