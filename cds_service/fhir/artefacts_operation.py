"""The OperationDefinitions of the main call and of the referral note, on PlanDefinition/{id}.

The main call has code `apply` and is told from FHIR's own PlanDefinition/$apply by its address:
it takes the data with the call and answers with a Bundle, where that one answers with a CarePlan.
"""

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import head, words
from cds_service.fhir.write_json import Json

_OPERATIONS = (
    ("apply-infant-plan", "apply", "operation"),
    ("write-referral-note", "referral-note", "note-operation"),
)
"""Id, code and the name of its texts."""

# name, min, max, type; in the order in which they are documented
_IN = (
    ("subject", 0, "1", "string"),
    ("encounter", 0, "1", "string"),
    ("data", 1, "1", "Bundle"),
    ("userLanguage", 0, "1", "CodeableConcept"),
    ("availableMedication", 0, "*", "CodeableConcept"),
    ("asOf", 0, "1", "dateTime"),
)


def operations(protocol: Protocol, base: str) -> list[Json]:
    """The OperationDefinitions; both take the same request."""
    parameters = [_parameter(protocol, base, "in", *each) for each in _IN]
    parameters.append(_parameter(protocol, base, "out", "return", 1, "1", "Bundle"))
    return [
        head(protocol, base, "OperationDefinition", name, texts)
        | {
            "kind": "operation",
            "affectsState": False,
            "code": code,
            "resource": ["PlanDefinition"],
            "system": False,
            "type": False,
            "instance": True,
            "parameter": parameters,
        }
        for name, code, texts in _OPERATIONS
    ]


def _parameter(
    protocol: Protocol, base: str, use: str, name: str, low: int, high: str, kind: str
) -> Json:
    about = words(protocol, f"artefact.operation.{name}")
    parameter = {
        "name": name,
        "use": use,
        "min": low,
        "max": high,
        "documentation": about,
        "type": kind,
    }
    if name == "availableMedication":
        parameter["binding"] = {
            "strength": "required",
            "valueSet": f"{base}/ValueSet/formulation-codes",
        }
    return parameter
