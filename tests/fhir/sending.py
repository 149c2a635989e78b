"""An infant of Marrow Vale as a caller sends it, and parts to change.

Everything is invented. The infant is 19 days old and breathes fast on both counts, so that
amoxicillin is due as soon as there is a weight that can be used.
"""

import json
from datetime import datetime
from functools import cache
from typing import Any

from cds_service.case import Case, Finding, Measurement, Origin
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.fhir.read import Request, read
from tests.changing import replace

SERVER = "http://tolm-ford.example/fhir"
OWN = "http://cds-service.example/fhir/CodeSystem"
UCUM = "http://unitsofmeasure.org"
AS_OF = "2026-05-01T09:40:00+02:00"
SEEN = "2026-05-01T09:30:00+02:00"
NOW = datetime.fromisoformat(AS_OF)

Json = dict[str, Any]


@cache
def protocol() -> Protocol:
    return load()


def entry(resource: Json) -> Json:
    return {
        "fullUrl": f"{SERVER}/{resource['resourceType']}/{resource['id']}",
        "resource": resource,
    }


def patient(**changes: Any) -> Json:
    infant = {
        "resourceType": "Patient",
        "id": "infant-1",
        "gender": "female",
        "birthDate": "2026-04-12",
    }
    return changed(infant, changes)


def concept(system: str, code: str) -> Json:
    return {"coding": [{"system": system, "code": code}]}


def observation(name: str, code: Json, **changes: Any) -> Json:
    one = {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": code,
        "subject": {"reference": "Patient/infant-1"},
        "effectiveDateTime": SEEN,
    }
    return changed(one, changes)


def finding(code: str, **changes: Any) -> Json:
    value = (
        {} if any(key.startswith(("value", "data")) for key in changes) else {"valueBoolean": False}
    )
    return observation(code, concept(f"{OWN}/finding", code), **{**value, **changes})


def quantity(value: Any, unit: str) -> Json:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def measured(name: str, loinc: str, value: Any, unit: str, **changes: Any) -> Json:
    code = concept("http://loinc.org", loinc)
    return observation(name, code, **{"valueQuantity": quantity(value, unit), **changes})


def weight(value: Any = 3.4, unit: str = "kg", **changes: Any) -> Json:
    return changed(measured("weight-1", "29463-7", value, unit), changes)


def breaths(name: str, value: int, at: str) -> Json:
    return measured(name, "9279-1", value, "/min", effectiveDateTime=at)


def changed(resource: Json, changes: Json) -> Json:
    """The resource with elements replaced; `...` takes one away."""
    both = {**resource, **changes}
    return {key: value for key, value in both.items() if value is not ...}


REQUIRED = (
    "convulsions", "unable-to-feed", "feeding-poorly", "no-movement",
    "moves-only-when-stimulated", "severe-chest-indrawing", "umbilicus-red", "umbilicus-pus",
    "skin-pustules",
)  # fmt: skip


def infant(*resources: Json, **changes: Any) -> list[Json]:
    """The infant with fast breathing, and whatever is added."""
    return [
        patient(**changes),
        *(finding(code) for code in REQUIRED),
        measured("temperature-1", "8328-7", 37.1, "Cel"),
        breaths("breaths-1", 66, "2026-05-01T09:10:00+02:00"),
        breaths("breaths-2", 64, "2026-05-01T09:20:00+02:00"),
        *resources,
    ]


def bundle(*resources: Json, **changes: Any) -> Json:
    return changed(
        {
            "resourceType": "Bundle",
            "type": "collection",
            "entry": [entry(resource) for resource in resources],
        },
        changes,
    )


def parameters(data: Json, *more: Json, as_of: str = AS_OF) -> Json:
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "asOf", "valueDateTime": as_of},
            {"name": "data", "resource": data},
            *more,
        ],
    }


def asked(*resources: Json, **changes: Any) -> Json:
    """The whole request for the infant with fast breathing and whatever is added."""
    return parameters(bundle(*infant(*resources, **changes)))


def text(body: Json) -> bytes:
    return json.dumps(body).encode()


def request(body: Json | bytes, *, strict: bool = False, now: datetime = NOW) -> Request:
    raw = body if isinstance(body, bytes) else text(body)
    return read(raw, protocol(), now=now, strict=strict)


def case(*resources: Json, now: datetime = NOW) -> Case:
    """The case of a bare Bundle."""
    return request(bundle(*resources), now=now).case


def reasons(of: Case) -> list[str]:
    return [refusal.reason for refusal in of.refusals]


SNOMED = "http://snomed.info/sct"
ATC = "http://www.whocc.no/atc"
HL7 = "http://terminology.hl7.org/CodeSystem"


def both(*concepts: Json) -> Json:
    """One concept with the codings of all."""
    return {"coding": [coding for one in concepts for coding in one["coding"]]}


def found(*resources: Json) -> Finding:
    """The one finding that these resources say."""
    read = case(patient(), *resources)
    assert read.refusals == ()
    (one,) = read.findings
    return one


def value(*resources: Json) -> Measurement:
    """The one measurement that these resources say."""
    read = case(patient(), *resources)
    assert read.refusals == ()
    (one,) = read.measurements
    return one


def refused(*resources: Json) -> list[str]:
    """Reasons why nothing of these resources is used."""
    read = case(patient(), *resources)
    facts = [*read.findings, *read.measurements, *read.given, *read.in_use]
    assert facts == []
    return reasons(read)


def encounter(name: str = "visit-1", **changes: object) -> Json:
    one = {
        "resourceType": "Encounter",
        "id": name,
        "status": "in-progress",
        "class": {"code": "AMB"},
        "subject": {"reference": "Patient/infant-1"},
        "period": {"start": "2026-04-30T08:00:00+02:00"},
    }
    return changed(one, changes)


def without_places(one: Case) -> Case:
    """The case without FHIRPaths, which are all that may differ."""

    def bare(fact: object) -> object:
        origin = Origin(fact.origin.reference)  # type: ignore[attr-defined]
        return replace(fact, origin=origin)  # type: ignore[type-var]

    names = ("findings", "measurements", "given", "in_use", "refusals")
    facts = {name: tuple(map(bare, getattr(one, name))) for name in names}
    return replace(one, **facts, subject_origin=Origin(one.subject_origin.reference))
