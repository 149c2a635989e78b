"""A request of sixteen entries for an invented infant of Marrow Vale, and ways to vary it."""

from typing import Any

import orjson

BASE = "http://cds-service.example/fhir"
AT = "2026-03-02T09:30:00+02:00"
PATH = "/fhir/PlanDefinition/sick-young-infant/$apply"
UCUM = "http://unitsofmeasure.org"
SUBJECT = {"reference": "Patient/orla-fenn"}

NO = (
    "convulsions",
    "unable-to-feed",
    "no-movement",
    "moves-only-when-stimulated",
    "severe-chest-indrawing",
    "umbilicus-red",
    "umbilicus-pus",
    "skin-pustules",
    "penicillin-allergy",
)
YES = ("feeding-poorly",)


def finding(code: str, value: bool) -> dict[str, Any]:
    return observation(f"{BASE}/CodeSystem/finding", code, "f-" + code, {"valueBoolean": value})


def measured(loinc: str, value: float, unit: str) -> dict[str, Any]:
    quantity = {"value": value, "unit": unit, "system": UCUM, "code": unit}
    return observation("http://loinc.org", loinc, "m-" + loinc, {"valueQuantity": quantity})


def observation(system: str, code: str, name: str, value: dict[str, Any]) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": SUBJECT,
        "effectiveDateTime": AT,
        **value,
    }


def bundle(*, referral_possible: bool = False) -> dict[str, Any]:
    """A feverish infant of ten days who feeds poorly: clinical severe infection."""
    resources = [
        {
            "resourceType": "Patient",
            "id": "orla-fenn",
            "gender": "female",
            "birthDate": "2026-02-20",
        },
        *(finding(code, value=False) for code in NO),
        *(finding(code, value=True) for code in YES),
        finding("referral-possible", value=referral_possible),
        measured("29463-7", 3.4, "kg"),
        measured("8339-4", 3.1, "kg"),
        measured("8310-5", 38.4, "Cel"),
        measured("9279-1", 52, "/min"),
    ]
    entries = [
        {
            "fullUrl": f"http://tolm-ford.example/fhir/{each['resourceType']}/{each['id']}",
            "resource": each,
        }
        for each in resources
    ]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def parameters(**changes: Any) -> dict[str, Any]:
    given = {
        "subject": {"valueString": "Patient/orla-fenn"},
        "asOf": {"valueDateTime": AT},
        "data": {"resource": bundle()},
        **changes,
    }
    return {
        "resourceType": "Parameters",
        "parameter": [{"name": name, **value} for name, value in given.items()],
    }


def body(**changes: Any) -> bytes:
    """The request's bytes; `changes` are parameters put instead of, or beside, ours."""
    return orjson.dumps(parameters(**changes))
