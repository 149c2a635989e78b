"""The code system of the three answers, and what our codes are in the standard systems.

ConceptMaps hold only codes that stand in the content, or that the reader understands.
FHIR R4 conceptmap.html.
"""

from cds_service.content.treatment import Protocol
from cds_service.fhir import terms
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.artefacts_form import ANSWERS
from cds_service.fhir.codes import ATC, LOINC, SNOMED, own_system
from cds_service.fhir.write_json import Json

_ANSWER_TARGETS = (
    (terms.YES_NO, {"yes": ("Y", "equal"), "no": ("N", "equal")}),
    (SNOMED, {"yes": ("52101004", "equivalent"), "no": ("2667000", "equivalent")}),
    # A reason why there is no answer says more than that there is none.
    (terms.DATA_ABSENT, {"not-assessed": ("unknown", "equivalent")}),
)


def answer_codes(protocol: Protocol, base: str) -> list[Json]:
    """The code system of yes, no and not assessed, and its value set."""
    draft = words(protocol, "artefact.draft")
    about, title = "Unknown is an answer of its own and never taken as no.", "Answers"
    system = headed(protocol, base, "CodeSystem", "answer", title, f"{about} {draft}")
    values = headed(protocol, base, "ValueSet", "answer-codes", title, f"{about} {draft}")
    return [
        system
        | {
            "caseSensitive": True,
            "valueSet": f"{base}/ValueSet/answer-codes",
            "content": "complete",
            "count": len(ANSWERS),
            "concept": [{"code": code, "display": display} for code, display in ANSWERS],
        },
        values | {"compose": {"include": [{"system": own_system(base, "answer")}]}},
    ]


def measure_codes(protocol: Protocol, base: str) -> list[Json]:
    """For each measure the LOINC codes that it is read from."""
    draft = words(protocol, "artefact.draft")
    return [
        headed(
            protocol,
            base,
            "ValueSet",
            f"{measure.code}-codes",
            words(protocol, f"measure.{measure.code}"),
            f"The codes that this measure is read from. {draft}",
        )
        | {
            "compose": {
                "include": [
                    {"system": LOINC, "concept": [{"code": code} for code in measure.loinc]}
                ]
            }
        }
        for measure in protocol.measures
    ]


def concept_maps(protocol: Protocol, base: str) -> list[Json]:
    """Answers and findings in the standard systems, products by their substance."""
    findings = {
        sign.code: [_target(code, "equivalent") for code in sign.snomed]
        for sign in protocol.signs
        if sign.snomed
    }
    products = {
        form.code: [_target(medicine.atc, "wider")] for medicine, form in protocol.formulations
    }
    return [
        _map(protocol, base, "answer", [(system, _answers(to)) for system, to in _ANSWER_TARGETS]),
        _map(protocol, base, "finding", [(SNOMED, findings)]),
        _map(protocol, base, "formulation", [(ATC, products)]),
    ]


def _answers(targets: dict[str, tuple[str, str]]) -> dict[str, list[Json]]:
    return {code: [_target(*to)] for code, to in targets.items()}


def _target(code: str, equivalence: str) -> Json:
    return {"code": code, "equivalence": equivalence}


def _map(
    protocol: Protocol, base: str, name: str, groups: list[tuple[str, dict[str, list[Json]]]]
) -> Json:
    about = f"What codes of {name} are in other systems; only codes that are used here."
    draft, title = words(protocol, "artefact.draft"), f"Codes of {name} in other systems"
    started = headed(protocol, base, "ConceptMap", f"{name}-map", title, f"{about} {draft}")
    return started | {
        "sourceCanonical": f"{base}/ValueSet/{name}-codes",
        "group": [
            {
                "source": own_system(base, name),
                "target": system,
                "element": [{"code": code, "target": to} for code, to in elements.items()],
            }
            for system, elements in groups
        ],
    }
