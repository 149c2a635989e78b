"""The Library of a protocol: the FHIRPath variables that its conditions are written in.

Each is an output parameter with its expression (extension cqf-expression), in the order in which
they are evaluated. FHIR R4 library.html; the extension is of hl7.fhir.r4.core 4.0.1.
"""

from cds_service.content.model import Source
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.codes import plan_definition
from cds_service.fhir.fhirpath_rows import variables
from cds_service.fhir.write_json import Json

FHIRPATH = "text/fhirpath"
_EXPRESSION = "http://hl7.org/fhir/StructureDefinition/cqf-expression"
_TYPE = "http://terminology.hl7.org/CodeSystem/library-type"
_ABOUT = (
    "Evaluate the output parameters in their order, each with the results of those before it as "
    "variables of the same names (an empty result is an empty collection and means unknown); "
    "`data` is the Bundle of one infant, `asOf` the moment of the visit with its offset. Read are "
    "Observations, and Conditions as classes of earlier visits. The service reads more: forms, "
    "Conditions as findings, allergies, medicines, measured ages in weeks or months, sites in "
    "words, several meanings of one code. Where its answer is another one, the service counts."
)


def library_id(protocol: Protocol) -> str:
    """Id of the Library of a protocol."""
    return f"{protocol.id}-logic"


def version(protocol: Protocol) -> str:
    """The business version: that of the edition, with the adaptation."""
    return protocol.name.partition("|")[2]


def canonical(protocol: Protocol, base: str, kind: str, name: str) -> str:
    """A versioned canonical of one of the protocol's artefacts."""
    return f"{base}/{kind}/{name}|{version(protocol)}"


def library(protocol: Protocol, base: str) -> Json:
    """The Library; its parameters are `fhirpath_rows.variables`."""
    about = f"{_ABOUT} {words(protocol, 'artefact.draft')}"
    title = f"Logic: {protocol.title}"
    started = headed(protocol, base, "Library", library_id(protocol), title, about)
    return started | {
        "type": {"coding": [{"system": _TYPE, "code": "logic-library"}]},
        "subjectCodeableConcept": {
            "coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]
        },
        "relatedArtifact": cited(protocol, [each.key for each in protocol.sources]),
        "parameter": [
            {"name": "data", "use": "in", "min": 1, "max": "1", "type": "Bundle"},
            {"name": "asOf", "use": "in", "min": 0, "max": "1", "type": "dateTime"},
            *(_parameter(*each) for each in variables(protocol)),
        ],
        "dataRequirement": [
            {
                "type": "Observation",
                "codeFilter": [
                    {
                        "path": "code",
                        "valueSet": f"{base}/ValueSet/finding-codes",
                    }
                ],
            },
            *(_measured(base, each.code) for each in protocol.measures),
            {
                "type": "Condition",
                "codeFilter": [
                    {"path": "code", "valueSet": f"{base}/ValueSet/classification-codes"}
                ],
            },
        ],
    }


def _measured(base: str, code: str) -> Json:
    where = {"path": "code", "valueSet": f"{base}/ValueSet/{code}-codes"}
    return {"type": "Observation", "codeFilter": [where]}


def _parameter(name: str, expression: str, about: str) -> Json:
    made: Json = {
        "extension": [
            {
                "url": _EXPRESSION,
                "valueExpression": {"language": FHIRPATH, "expression": expression},
            }
        ],
        "name": name,
        "use": "out",
        "min": 0,
        "max": "*",
    }
    return made | ({"documentation": about} if about else {}) | {"type": "Any"}


def cited(protocol: Protocol, keys: list[str], evidence: str = "") -> list[Json]:
    """The sources as relatedArtifact; `evidence` says how sure we are of what they say."""
    known = {each.key: each for each in protocol.sources}
    found = [_citation(known[key], evidence) for key in dict.fromkeys(keys)]
    if evidence and not found:
        found = [{"type": "documentation", "label": evidence}]
    return found


def _citation(source: Source, evidence: str) -> Json:
    parts = [f"{source.title}. {source.imprint}", source.locator]
    made: Json = {"type": "citation", "label": evidence or source.key}
    made["display"] = source.key
    made["citation"] = ". ".join(part for part in parts if part)
    return made | ({"url": source.url} if source.url else {})


def derived_from(protocol: Protocol, base: str) -> list[Json]:
    """For a national adaptation the edition that it lies over."""
    if protocol.adaptation is None:
        return []
    over = f"{plan_definition(base, protocol.id)}|{protocol.version}"
    return [{"type": "derived-from", "resource": over}]
