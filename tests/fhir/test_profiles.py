"""The profiles hold for every example request and answer, and can be broken."""

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.fhir.artefacts import artefacts
from tests import examples
from tests.fhir.decisions import BASE, protocol
from tests.fhir.differential import _SLICES, expanded, faults

MADE = artefacts(protocol(), BASE)
PROFILES = {name: made for (kind, name), made in MADE.items() if kind == "StructureDefinition"}
LOINC = {code: m.code for m in protocol().measures for code in m.loinc}
Json = dict[str, Any]

OF_TYPE = {
    "Patient": "sick-infant",
    "GuidanceResponse": "plan-guidance",
    "Condition": "infant-class",
    "MedicationRequest": "proposed-medicine",
    "DetectedIssue": "plan-caution",
}


def sent(story: str) -> Iterator[Json]:
    body = json.loads(examples.sent(story))
    if body["resourceType"] == "Parameters":
        body = next(p["resource"] for p in body["parameter"] if p["name"] == "data")
    return (entry["resource"] for entry in body["entry"])


def profile_of_sent(resource: Json) -> str | None:
    """The profile that a resource of a request has to hold to, if there is one for it."""
    if resource["resourceType"] == "Patient":
        return "sick-infant"
    if resource["resourceType"] != "Observation":
        return None
    for coding in resource["code"].get("coding", []):
        if coding["system"] == f"{BASE}/CodeSystem/finding":
            return "infant-finding"
        if coding["code"] in LOINC:
            return f"infant-{LOINC[coding['code']]}"
    return None


def answer(story: str) -> Json:
    made: Json = json.loads(examples.stored(story))
    return made


def test_every_resource_of_the_example_requests_holds_to_its_profile() -> None:
    held: set[str] = set()
    for story in examples.STORIES:
        for resource in sent(story):
            name = profile_of_sent(resource)
            if name is not None:
                assert faults(resource, PROFILES[name], MADE) == [], (story, resource.get("id"))
                held.add(name)
    assert held >= {
        "sick-infant", "infant-finding", "infant-weight", "infant-temperature",
        "infant-respiratory-rate", "infant-oxygen-saturation", "infant-birth-weight",
    }  # fmt: skip


@pytest.mark.parametrize("story", examples.STORIES)
def test_every_example_answer_holds_to_the_profiles(story: str) -> None:
    bundle = answer(story)

    assert faults(bundle, PROFILES["infant-plan"], MADE) == []
    assert bundle["entry"][0]["resource"]["resourceType"] == "GuidanceResponse"
    for entry in bundle["entry"]:
        if is_referral(entry["resource"]):
            assert faults(entry["resource"], PROFILES["proposed-referral"], MADE) == []


def is_referral(resource: Json) -> bool:
    return resource["resourceType"] == "ServiceRequest" and "category" in resource


def test_the_examples_have_each_kind_of_resource_that_is_profiled() -> None:
    kinds = {e["resource"]["resourceType"] for s in examples.STORIES for e in answer(s)["entry"]}

    assert {PROFILES[name]["type"] for name in OF_TYPE.values()} - {"Patient"} <= kinds
    assert any(is_referral(e["resource"]) for s in examples.STORIES for e in answer(s)["entry"])


@pytest.mark.parametrize("profile", PROFILES.values(), ids=list(PROFILES))
def test_a_profile_is_a_differential_over_the_base_of_r4(profile: Json) -> None:
    get_fhir_model_class("StructureDefinition").model_validate(profile)
    assert "snapshot" not in profile
    assert (profile["fhirVersion"], profile["derivation"]) == ("4.0.1", "constraint")
    assert profile["baseDefinition"].endswith(f"StructureDefinition/{profile['type']}")
    ids = [element["id"] for element in profile["differential"]["element"]]
    assert len(set(ids)) == len(ids)
    for element in profile["differential"]["element"]:
        if "binding" in element:
            assert expanded(element["binding"]["valueSet"].rpartition("/")[2], MADE)


def test_the_slices_are_those_of_the_profile() -> None:
    elements = PROFILES["infant-plan"]["differential"]["element"]
    types = {
        each["id"].split(":")[1].removesuffix(".resource"): each["type"][0]["code"]
        for each in elements
        if each["id"].endswith(".resource") and ":" in each["id"]
    }
    assert types == _SLICES


def example(kind: str) -> Json:
    """A resource of the examples to be broken."""
    story = "01-fever-refer-or-treat"
    if kind == "infant-plan":
        return answer(story)
    given = [e["resource"] for e in answer(story)["entry"]]
    taken = list(sent(story))
    if kind == "proposed-referral":
        return next(r for r in given if is_referral(r))
    by_type = {name: kind for kind, name in OF_TYPE.items()}
    if kind in by_type and kind != "sick-infant":
        return next(r for r in given if r["resourceType"] == by_type[kind])
    return next(r for r in taken if profile_of_sent(r) == kind)


def put(path: str, value: Any) -> Callable[[Json], None]:
    """A fault: the element set to a value, or taken away (`...`)."""

    def change(resource: Json) -> None:
        *steps, last = path.split(".")
        node: Any = resource
        for step in steps:
            node = node[int(step)] if step.isdigit() else node[step]
        if value is ...:
            del node[int(last) if last.isdigit() else last]
        else:
            node[last] = value

    return change


@pytest.mark.parametrize(
    ("profile", "path", "value", "element"),
    [
        ("sick-infant", "deceasedBoolean", True, "deceased[x]"),
        ("sick-infant", "deceasedDateTime", "2026-04-30", "deceased[x]"),
        ("sick-infant", "implicitRules", "http://x.example", "implicitRules"),
        ("infant-finding", "status", "cancelled", "status"),
        ("infant-finding", "code.coding.0.code", "unheard-of", "code"),
        ("infant-finding", "subject", ..., "subject"),
        ("infant-finding", "valueString", "yes", "value[x]"),
        ("infant-finding", "effectiveTiming", {}, "effective[x]"),
        ("infant-weight", "valueQuantity.code", "lb", "value[x]"),
        ("infant-weight", "valueQuantity.code", ..., "value[x].code"),
        ("infant-weight", "valueQuantity.system", ..., "value[x].system"),
        ("infant-weight", "valueQuantity.comparator", "<", "value[x].comparator"),
        ("infant-weight", "valueQuantity.value", ..., "value[x].value"),
        ("infant-weight", "code.coding.0.code", "8310-5", "code"),
        ("infant-temperature", "valueQuantity.code", "K", "value[x]"),
        ("infant-respiratory-rate", "valueQuantity.system", "http://x", "value[x].system"),
        ("plan-guidance", "moduleCanonical", "http://x.example|1", "module[x]"),
        ("infant-class", "code.coding.0.code", "unheard-of", "code"),
        ("infant-class", "category", ..., "category"),
        ("proposed-medicine", "status", "active", "status"),
        ("proposed-medicine", "intent", "order", "intent"),
        ("proposed-medicine", "doNotPerform", True, "doNotPerform"),
        ("proposed-medicine", "dosageInstruction", ..., "dosageInstruction"),
        ("proposed-medicine", "dosageInstruction.0.text", ..., "dosageInstruction.text"),
        ("proposed-referral", "category.0.coding.0.code", "1", "category"),
        ("proposed-referral", "priority", ..., "priority"),
        ("plan-caution", "severity", ..., "severity"),
        ("plan-caution", "code.coding.0.code", "unheard-of", "code"),
        ("plan-caution", "identifiedDateTime", ..., "identified[x]"),
        ("infant-plan", "type", "transaction", "type"),
        ("infant-plan", "entry.0", ..., "entry:guidance"),
        ("infant-plan", "entry.1.fullUrl", ..., "entry.fullUrl"),
        ("infant-plan", "entry.1.request", {}, "entry.request"),
    ],
)
def test_a_resource_that_breaks_a_profile_is_found_out(
    profile: str, path: str, value: Any, element: str
) -> None:
    resource = copy.deepcopy(example(profile))
    assert faults(resource, PROFILES[profile], MADE) == []

    put(path, value)(resource)

    found = faults(resource, PROFILES[profile], MADE)
    assert f"{PROFILES[profile]['type']}.{element}" in {each.split(": ")[0] for each in found}


def test_what_breaks_the_profile_of_an_entry_breaks_the_answer() -> None:
    bundle = example("infant-plan")
    order = next(
        e["resource"]
        for e in bundle["entry"]
        if e["resource"]["resourceType"] == "MedicationRequest"
    )
    order["status"] = "active"

    (found,) = faults(bundle, PROFILES["infant-plan"], MADE)
    assert "MedicationRequest.status" in found
