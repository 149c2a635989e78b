"""ActivityDefinitions: what may be ordered, one for each medicine, each fluid, referral, visit.

Doses depend on weight, age and what is in stock, with checks that no expression here can hold:
they are told in words (`usage`), with source and evidence, and made by $apply alone.
"""

from collections.abc import Iterator

from cds_service.content.fluid import Fluid
from cds_service.content.medicine import Band, DoseRule, Medicine, PerKg
from cds_service.content.model import Number
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.artefacts_library import canonical, cited, library_id
from cds_service.fhir.codes import (
    ATC,
    FOLLOW_UP,
    REFERRAL,
    ROUTES,
    SNOMED,
    TIMES_A_DAY,
)
from cds_service.fhir.write_json import Json

_FHIR_TYPES = "MedicationRequest", "ServiceRequest"
_GTS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"


def activity_id(protocol: Protocol, code: str) -> str:
    """Id of what is done: of a medicine or fluid its code, or "referral" or "follow-up"."""
    return f"{protocol.id}-{code}"


def activities(protocol: Protocol, base: str) -> list[Json]:
    """Every ActivityDefinition of a protocol."""
    medicines = [_medicine(protocol, base, each) for each in protocol.medicines]
    fluids = [_fluid(protocol, base, each) for each in protocol.fluids.every]
    asked = {"referral": (REFERRAL, "Patient referral"), "follow-up": (FOLLOW_UP, "Follow-up")}
    return [
        *medicines,
        *fluids,
        *(_service(protocol, base, name, *coding) for name, coding in asked.items()),
    ]


def _started(protocol: Protocol, base: str, code: str, title: str, about: str, kind: str) -> Json:
    said = f"{about} {words(protocol, 'artefact.draft')}"
    made = headed(protocol, base, "ActivityDefinition", activity_id(protocol, code), title, said)
    return made | {
        "subjectCodeableConcept": {
            "coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]
        },
        "library": [canonical(protocol, base, "Library", library_id(protocol))],
        "kind": kind,
        "intent": "proposal",
        "doNotPerform": False,
    }


def _medicine(protocol: Protocol, base: str, medicine: Medicine) -> Json:
    title = words(protocol, f"medicine.{medicine.code}")
    about = "A medicine that is proposed. The doses stand in `usage`; $apply makes the order."
    made = _started(protocol, base, medicine.code, title, about, _FHIR_TYPES[0])
    often = int(medicine.times_a_day.value)
    timing: Json = {"repeat": {"frequency": often, "period": 1, "periodUnit": "d"}}
    if often in TIMES_A_DAY:
        timing["code"] = {"coding": [{"system": _GTS, "code": TIMES_A_DAY[often]}]}
    route = {"coding": [{"system": SNOMED, "code": ROUTES[medicine.route]}]}
    return made | {
        "usage": "\n".join(_doses(protocol, medicine)),
        "relatedArtifact": cited(protocol, list(medicine.cite.sources), medicine.cite.evidence),
        "productCodeableConcept": {
            "coding": [{"system": ATC, "code": medicine.atc}],
            "text": title,
        },
        "dosage": [{"text": "The dose by weight and age: see usage.", "timing": timing,
                    "route": route}],
    }  # fmt: skip


def _doses(protocol: Protocol, medicine: Medicine) -> Iterator[str]:
    yield "First rule that applies:"
    for rule in medicine.rules:
        yield from _rule(protocol, rule)
    for what, limit in (("a single dose", medicine.ceiling), ("one dose", medicine.hard_max)):
        if limit is not None:
            yield f"- never more than {_said(limit)} as {what}"
    yield f"- not sooner than {_said(medicine.not_before)} after the dose before"


def _rule(protocol: Protocol, rule: DoseRule) -> Iterator[str]:
    mark = f"({', '.join((*rule.cite.sources, rule.cite.evidence))})"
    if rule.per_kg is not None:
        yield f"- {rule.code}: {_per_kg(rule.per_kg)} {mark}"
    for band in rule.bands:
        yield from _band(protocol, band)
    for code, amount in rule.fixed:
        yield f"- {rule.code}: {_said(amount)} of {words(protocol, f'formulation.{code}')} {mark}"


def _band(protocol: Protocol, band: Band) -> Iterator[str]:
    mark = f"({', '.join((*band.cite.sources, band.cite.evidence))})"
    upper = f" to under {_said(band.high)}" if band.high is not None else " and over"
    weight = f"{_said(band.low)}{upper}"
    if band.per_kg is not None:
        yield f"- {weight}: {_per_kg(band.per_kg)} {mark}"
    for cell in band.cells:
        product = words(protocol, f"formulation.{cell.formulation}")
        yield f"- {weight}: {_said(cell.amount)} of {product} {mark}"


def _per_kg(dose: PerKg) -> str:
    return f"{_said(dose.target)} (from {_said(dose.low)} to {_said(dose.high)})"


def _said(number: Number) -> str:
    return f"{number.value:f} {number.unit.strip('{}')}"


def _fluid(protocol: Protocol, base: str, fluid: Fluid) -> Json:
    title = words(protocol, f"product.{fluid.product}")
    about = "A fluid that is proposed. The volumes stand in `usage`; $apply makes the order."
    made = _started(protocol, base, fluid.code, title, about, _FHIR_TYPES[0])
    steps = [f"- {_said(each.volume)} over {_said(each.over)}" for each in fluid.stages]
    if fluid.each_stool is not None:
        low, high = _said(fluid.each_stool.low), _said(fluid.each_stool.high)
        light, most = _said(fluid.each_stool.light_below), _said(fluid.each_stool.light_most)
        steps.append(f"- after each loose stool {low} to {high}; below {light} at most {most}")
    if fluid.ceiling is not None:
        steps.append(f"- never more than {_said(fluid.ceiling)} in all")
    made |= {"usage": "\n".join(steps)} if steps else {}
    return made | {
        "relatedArtifact": cited(protocol, list(fluid.cite.sources), fluid.cite.evidence),
        "productCodeableConcept": {"text": title},
    }


def _service(protocol: Protocol, base: str, name: str, code: str, title: str) -> Json:
    about = "A service that is proposed."
    made = _started(protocol, base, name, title, about, _FHIR_TYPES[1])
    return made | {"code": {"coding": [{"system": SNOMED, "code": code}], "text": title}}
