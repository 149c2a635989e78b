"""Invented infants as Bundles, meant to be hard: contradictions, old values, other units, limits.

Nothing here is clinical truth; limits and units are those of the content.
"""

import random
from datetime import datetime, timedelta
from typing import Any, TypeGuard

from cds_service.content.model import Measure, MeasureTest, Sign
from cds_service.content.treatment import Protocol
from cds_service.fhir.codes import BIRTH_TIME, LOINC, SNOMED, UCUM
from cds_service.fhir.fhirpath_rows import tests
from cds_service.quantity import Quantity

Json = dict[str, Any]

AS_OF = "2026-05-01T09:40:00+02:00"
NOW = datetime.fromisoformat(AS_OF)
_OWN = "http://cds-service.example/fhir/CodeSystem"
_HL7 = "http://terminology.hl7.org/CodeSystem"
_AGES = (0, 1, 2, 3, 6, 7, 8, 13, 14, 15, 20, 28, 30, 45, 58, 59)
_MINUTES = (5, 10, 15, 20, 30, 40, 40, 70, 100, 400, 719, 721, 2000, 6000)
_USUAL = {
    "weight": (0.9, 8.5), "birth-weight": (1.0, 4.5), "temperature": (34.0, 40.0),
    "respiratory-rate": (20.0, 80.0), "oxygen-saturation": (80.0, 100.0),
    "gestational-age": (28.0, 42.0), "blood-glucose": (1.0, 8.0),
}  # fmt: skip


def infant(protocol: Protocol, draw: random.Random) -> Json:
    """One infant as the Bundle of a request."""
    resources = [_patient(draw), *_signs(protocol, draw), *_measures(protocol, draw)]
    resources += [_earlier(protocol, draw) for _ in range(draw.choice([0, 0, 1, 2]))]
    entries = [{"resource": each} for each in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _patient(draw: random.Random) -> Json:
    patient: Json = {"resourceType": "Patient", "id": "p"}
    born = NOW - timedelta(days=draw.choice(_AGES))
    written = draw.choices([born.date().isoformat(), f"{born:%Y-%m}", ""], [90, 5, 5])[0]
    if written:
        patient["birthDate"] = written
    moment = born.replace(hour=draw.choice([0, 5, 9, 12]))
    if len(written) == len("2026-05-01") and moment <= NOW and draw.random() < 0.15:
        told = {"url": BIRTH_TIME, "valueDateTime": moment.isoformat()}
        patient["_birthDate"] = {"extension": [told]}
    sex = draw.choice(["male", "female", "unknown", ""])
    return patient | ({"gender": sex} if sex else {})


def _signs(protocol: Protocol, draw: random.Random) -> list[Json]:
    yes, asked = draw.choice([0.02, 0.05, 0.2]), draw.choice([0.5, 0.9, 1.0])
    return [
        _sign(sign, yes, draw)
        for sign in protocol.signs
        for _ in range((draw.random() < asked) + (draw.random() < 0.03))
    ]


def _sign(sign: Sign, yes: float, draw: random.Random) -> Json:
    is_yes = draw.random() < yes
    coded = {"system": f"{_HL7}/v2-0136", "code": "Y" if is_yes else "N"}
    value = draw.choices(
        [
            {"valueBoolean": is_yes},
            {"valueCodeableConcept": {"coding": [coded]}},
            {"dataAbsentReason": {"text": "not asked"}},
            {"valueString": "of no use"},
        ],
        [80, 10, 9, 1],
    )[0]
    code = {"system": f"{_OWN}/finding", "code": sign.code}
    if sign.snomed and draw.random() < 0.3:
        code = {"system": SNOMED, "code": sign.snomed[0]}
    return _observed(code, value, draw)


def _measures(protocol: Protocol, draw: random.Random) -> list[Json]:
    often = {"respiratory-rate", "weight", "temperature"}
    return [
        _measure(protocol, measure, draw)
        for measure in protocol.measures
        for _ in range(draw.choice([0, 1, 1, 1, 2, 3] if measure.code in often else [0, 1]))
    ]


def _measure(protocol: Protocol, measure: Measure, draw: random.Random) -> Json:
    unit = draw.choice(measure.units)
    kept = measure.kept_in(unit)
    limits = [t.limit_in(kept) for t in tests(protocol) if _of(t, measure)]
    if limits and draw.random() < 0.4:
        value = float(Quantity(draw.choice(limits), kept).to(unit).value)
        value = round(value + draw.choice([-0.1, -0.001, 0, 0, 0.001, 0.1]), 4)
    else:
        low, high = _USUAL.get(measure.code, (1.0, 50.0))
        value = round(draw.uniform(low, high), 1)
        value = round(_in_unit(value, measure, unit), 2)
    code = unit if draw.random() < 0.98 else "furlong"
    quantity = {"value": value, "system": UCUM, "code": code}
    made = _observed(
        {"system": LOINC, "code": draw.choice(measure.loinc)}, {"valueQuantity": quantity}, draw
    )
    if measure.sites_that_exclude and draw.random() < 0.15:
        site = {"system": SNOMED, "code": draw.choice(["91470000", "34402009"])}
        made["bodySite"] = {"coding": [site]}
    return made


def _of(test: object, measure: Measure) -> TypeGuard[MeasureTest]:
    return isinstance(test, MeasureTest) and test.measure == measure.code


def _in_unit(value: float, measure: Measure, other: str) -> float:
    return float(measure.turned(Quantity.of(str(value), measure.unit), other).value)


def _observed(code: Json, value: Json, draw: random.Random) -> Json:
    made = {
        "resourceType": "Observation",
        "status": draw.choices(["final", "preliminary", "registered"], [20, 1, 1])[0],
        "code": {"coding": [code]},
        "subject": {"reference": "Patient/p"},
        **value,
    }
    if draw.random() < 0.9:
        at = NOW - timedelta(minutes=draw.choice(_MINUTES))
        made["effectiveDateTime"] = at.isoformat()
    return made


def _earlier(protocol: Protocol, draw: random.Random) -> Json:
    code = draw.choice(
        [row.code for row in protocol.tables[0].rows] + ["local-bacterial-infection"]
    )
    verified = draw.choice(["provisional", "provisional", "differential"])
    made = {
        "resourceType": "Condition",
        "code": {"coding": [{"system": f"{_OWN}/classification", "code": code}]},
        "subject": {"reference": "Patient/p"},
        "clinicalStatus": {"coding": [{"system": f"{_HL7}/condition-clinical", "code": "active"}]},
        "verificationStatus": {
            "coding": [{"system": f"{_HL7}/condition-ver-status", "code": verified}]
        },
    }
    if draw.random() < 0.95:
        days = draw.choice([0, 1, 2, 3, 4, 6, 7, 8, 12, 20])
        made["recordedDate"] = (NOW - timedelta(days=days, minutes=3)).isoformat()
    return made
