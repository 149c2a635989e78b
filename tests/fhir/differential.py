"""A small reader of StructureDefinition differentials, to hold resources against our profiles.

It knows what our profiles use: cardinality, fixed and pattern values, types of a choice, required
bindings to our own value sets, slices by the type of an entry's resource. What it does not know it
refuses. An outside validator is the judge; this one runs with every test.
FHIR R4 profiling.html, elementdefinition.html.
"""

from collections.abc import Iterator, Mapping
from typing import Any

Json = dict[str, Any]
Published = Mapping[tuple[str, str], Json]

_KNOWN = {
    "id", "path", "sliceName", "min", "max", "mustSupport", "fixedBoolean", "fixedCode",
    "fixedUri", "patternCanonical", "patternCodeableConcept", "type", "binding", "slicing",
}  # fmt: skip


def faults(resource: Json, profile: Json, published: Published) -> list[str]:
    """What breaks the profile: the id of the element and what is wrong."""
    if resource.get("resourceType") != profile["type"]:
        return [f"{profile['id']}: it is for {profile['type']}"]
    return [
        f"{element['id']}: {what}"
        for element in profile["differential"]["element"]
        for what in _element(resource, element, published)
    ]


def _element(resource: Json, element: Json, published: Published) -> Iterator[str]:
    assert not set(element) - _KNOWN, set(element) - _KNOWN
    steps = element["id"].split(".")[1:]
    if not steps:
        return
    parents: list[Any] = [resource]
    for step in steps[:-1]:
        parents = [child for parent in parents for _, child in _children(parent, step, published)]
    for parent in parents:
        found = list(_children(parent, steps[-1], published, element))
        if len(found) < element.get("min", 0):
            yield "it is missing"
        if element.get("max", "*") != "*" and len(found) > int(element["max"]):
            yield "there are too many"
        for kind, value in found:
            yield from _value(kind, value, element, published)


def _children(
    parent: Any, step: str, published: Published, element: Json | None = None
) -> Iterator[tuple[str, Any]]:
    """The values of one step, each with the type that its name says ("" when it says none)."""
    name, _, slice_name = step.partition(":")
    if name.endswith("[x]"):
        stem = name.removesuffix("[x]")
        names = [key for key in parent if key.startswith(stem) and key[len(stem) :][:1].isupper()]
    else:
        names = [name] if name in parent else []
    for each in names:
        value = parent[each]
        for one in value if isinstance(value, list) else [value]:
            kind = each.removeprefix(name.removesuffix("[x]")) if name.endswith("[x]") else ""
            if not slice_name or _SLICES[slice_name] == one["resource"]["resourceType"]:
                yield kind, one


_SLICES = {
    "guidance": "GuidanceResponse",
    "plan": "CarePlan",
    "actions": "RequestGroup",
    "class": "Condition",
    "medicine": "MedicationRequest",
    "service": "ServiceRequest",
    "caregiver": "CommunicationRequest",
    "label": "DocumentReference",
    "caution": "DetectedIssue",
    "made-by": "Provenance",
}
"""What each slice of the answer is, told again: a test compares it with the profile."""


def _value(kind: str, value: Any, element: Json, published: Published) -> Iterator[str]:
    types = {each["code"].lower() for each in element.get("type", [])}
    actual = kind.lower() or (value.get("resourceType", "").lower() if _is_map(value) else "")
    if types and actual and actual not in types:
        yield "it is of another type"
    for name, wanted in element.items():
        if name.startswith("fixed") and value != wanted:
            yield "it is not the fixed value"
        if name.startswith("pattern") and not _holds(value, wanted):
            yield "it is not of the pattern"
    binding = element.get("binding")
    if binding and not isinstance(value, bool) and not _bound(value, binding, published):
        yield "its code is not in the value set"
    for each in element.get("type", []):
        for canonical in each.get("profile", []):
            name = canonical.rpartition("/")[2]
            yield from faults(value, published["StructureDefinition", name], published)


def _is_map(value: Any) -> bool:
    return isinstance(value, dict)


def _holds(value: Any, pattern: Any) -> bool:
    if isinstance(pattern, dict):
        return all(name in value and _holds(value[name], each) for name, each in pattern.items())
    if isinstance(pattern, list):
        return all(any(_holds(one, each) for one in value) for each in pattern)
    return bool(value == pattern)


def _bound(value: Any, binding: Json, published: Published) -> bool:
    assert binding["strength"] == "required"
    allowed = expanded(binding["valueSet"].rpartition("/")[2], published)
    if isinstance(value, str):  # a code: its system is that of the element
        return value in {code for _, code in allowed}
    codings = value.get("coding", []) if "coding" in value or "text" in value else [value]
    return any((one.get("system"), one.get("code")) in allowed for one in codings)


def expanded(name: str, published: Published) -> set[tuple[str, str]]:
    """Every code of one of our value sets."""
    found = set()
    for part in published["ValueSet", name]["compose"]["include"]:
        system = part["system"]
        concepts = part.get("concept")
        if concepts is None:
            concepts = published["CodeSystem", system.rpartition("/")[2]]["concept"]
        found |= {(system, each["code"]) for each in concepts}
    return found
