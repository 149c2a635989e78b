"""Which field of the form it is that the service says something about."""

from typing import Any

from cds_service.content.treatment import Protocol
from cds_service.fhir.codes import LOINC
from cds_service.fhir.terms import FINDING, is_own
from cds_service.web.site.trying.answer import Answer
from cds_service.web.site.trying.filled import Filled
from cds_service.web.site.trying.places import resource_at
from cds_service.web.site.trying.questions import BORN


def field_of(tree: Any, expression: str, protocol: Protocol) -> str:
    """The field of a place in a request; "" when no field is about it."""
    resource = resource_at(tree, expression)
    if resource.get("resourceType") == "Patient":
        return BORN
    for coding in resource.get("code", {}).get("coding", ()):
        if is_own(coding.get("system", ""), FINDING):
            return str(coding["code"]) if coding["code"] in protocol.sign_by_code else ""
        for measure in protocol.measures:
            if coding.get("system") == LOINC and coding.get("code") in measure.loinc:
                return measure.code
    return ""


def needed_of(answer: Answer, protocol: Protocol) -> tuple[str, ...]:
    """The fields of what an answer asks for."""
    measures = {code: measure.code for measure in protocol.measures for code in measure.loinc}
    return tuple(measures.get(code, code) for code in answer.needed)


def notes_of(answer: Answer, asked: Filled) -> dict[str, tuple[str, ...]]:
    """The cautions about each field's own value, by the field."""
    fields = asked.references
    found: dict[str, tuple[str, ...]] = {}
    for caution in answer.cautions:
        for field in {fields[each] for each in caution.about if each in fields}:
            found[field] = (*found.get(field, ()), caution.words)
    return found
