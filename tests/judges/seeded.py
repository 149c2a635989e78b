"""Defects that the outside judges must find, one of each kind, made in a good example answer."""

import copy
from typing import Any

Json = dict[str, Any]
STORY = "examples/01-fever-refer-or-treat/response.json"

SEEDED = {
    "missing-element": {"pyrofile": "cardinality.min", "google": "subject` is missing"},
    "wrong-required-code": {"pyrofile": "terminology.required", "google": "'activ'"},
    "unknown-element": {"pyrofile": "element.unknown", "google": "'sunshine'"},
    "broken-invariant": {"pyrofile": "invariant.dom-2", "invariants": "dom-2"},
    "broken-invariant-of-a-backbone": {"invariants": "rqg-1"},
    "broken-invariant-of-timing": {"invariants": "tim-1"},
    "broken-invariant-of-quantity": {"invariants": "qty-3"},
    "decimal-as-text": {"fhirkit": "value"},
    "broken-profile-rule": {"pyrofile": "profile.fixed"},
}
"""Each defect, the judges that must find it and a part of what they must say: google-fhir knows no
invariant and no profile, pyrofile no invariant inside a datatype."""


def seeded(named: dict[str, Json]) -> dict[str, Json]:
    """The defects by name."""
    return {f"seeded/{name}": _with(name, copy.deepcopy(named[STORY])) for name in SEEDED}


def _with(defect: str, bundle: Json) -> Json:
    order = _first(bundle, "MedicationRequest")
    if defect == "missing-element":
        del order["subject"]
    elif defect == "wrong-required-code":
        order["status"] = "activ"
    elif defect == "unknown-element":
        order["sunshine"] = "much"
    elif defect == "broken-invariant":
        order["contained"][0]["contained"] = [{"resourceType": "Basic", "id": "b"}]  # dom-2
    elif defect == "broken-invariant-of-a-backbone":
        group = _first(bundle, "RequestGroup")
        group["action"][0] |= {"resource": {"reference": "Basic/b"}, "action": [{"title": "both"}]}
    elif defect == "broken-invariant-of-timing":
        order["dosageInstruction"][0]["timing"]["repeat"]["duration"] = 5  # without its unit
    elif defect == "broken-invariant-of-quantity":
        del order["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]["system"]
    elif defect == "decimal-as-text":
        order["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]["value"] = "0.5"
    else:
        bundle["type"] = "document"  # a code of R4; the profile allows collection only
    return bundle


def _first(bundle: Json, kind: str) -> Json:
    resources: list[Json] = [entry["resource"] for entry in bundle["entry"]]
    return next(each for each in resources if each["resourceType"] == kind)
