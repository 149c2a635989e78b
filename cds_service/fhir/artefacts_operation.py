"""The OperationDefinition of the main call: PlanDefinition/{id}/$apply with the data in it.

It has code `apply` and is told from FHIR's own PlanDefinition/$apply by its address: it takes
the data with the call and answers with a Bundle, where that one answers with a CarePlan.
"""

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import head, words
from cds_service.fhir.write_json import Json

_ID = "apply-infant-plan"

# name, min, max, type; in the order in which they are documented
_IN = (
    ("subject", 0, "1", "string"),
    ("encounter", 0, "1", "string"),
    ("data", 1, "1", "Bundle"),
    ("userLanguage", 0, "1", "CodeableConcept"),
    ("availableMedication", 0, "*", "CodeableConcept"),
    ("asOf", 0, "1", "dateTime"),
)


def operation(protocol: Protocol, base: str) -> Json:
    """The OperationDefinition `apply-infant-plan`."""
    parameters = [_parameter(protocol, base, "in", *each) for each in _IN]
    parameters.append(_parameter(protocol, base, "out", "return", 1, "1", "Bundle"))
    return head(protocol, base, "OperationDefinition", _ID, "operation") | {
        "kind": "operation",
        "affectsState": False,
        "code": "apply",
        "resource": ["PlanDefinition"],
        "system": False,
        "type": False,
        "instance": True,
        "parameter": parameters,
    }


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
