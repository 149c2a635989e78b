"""The request that the description of the API shows: short, and answered with a plan."""

from typing import Any

from cds_service.fhir.codes import UCUM
from cds_service.web.openapi import Json

_AT = "2026-03-02T09:30:00+02:00"
_INFANT = "Patient/example-infant"


def infant(base: str) -> dict[str, Any]:
    """A `Parameters` about an invented infant of ten days; `base` is that of our codes."""
    weight = {"value": 3.2, "unit": "kg", "system": UCUM, "code": "kg"}
    patient = {
        "resourceType": "Patient",
        "id": "example-infant",
        "gender": "female",
        "birthDate": "2026-02-20",
    }
    resources = [
        patient,
        _observation(f"{base}/CodeSystem/finding", "convulsions", {"valueBoolean": True}),
        _observation("http://loinc.org", "29463-7", {"valueQuantity": weight}),
    ]
    entries = [{"resource": each} for each in resources]
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": _INFANT},
            {"name": "asOf", "valueDateTime": _AT},
            {
                "name": "data",
                "resource": {"resourceType": "Bundle", "type": "collection", "entry": entries},
            },
        ],
    }


def _observation(system: str, code: str, value: Json) -> Json:
    return {
        "resourceType": "Observation",
        "id": f"example-{code}",
        "status": "final",
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": _INFANT},
        "effectiveDateTime": _AT,
        **value,
    }
