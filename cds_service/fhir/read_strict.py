"""`Prefer: handling=strict`: nothing is passed over.

Every element has to be one of FHIR R4 (fhir.resources R4B, whose models of the types that are
read here are those of 4.0.1), and everything that is refused as a fact refuses the request.
"""

from typing import Any

from pydantic import ValidationError

from cds_service.case import Refusal
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine.words import refused
from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir import json_text

_LENIENT = (
    "Correct it or leave it out; with `Prefer: handling=lenient` it is left out, and named, in "
    "an answer to all the rest."
)


def check(body: bytes, tree: Any) -> None:
    """Raise MalformedRequest unless every element of the request is one of FHIR R4."""
    problems = json_text.faults(body)
    if not problems:
        _check_shell(tree, tree["resourceType"], problems)
    if problems:
        raise MalformedRequest(*problems)


def problem(refusal: Refusal, protocol: Protocol) -> Problem:
    """What a fact that is refused says when the caller asked for strictness."""
    what = render(protocol, refused(refusal))
    code = _CODES.get(refusal.reason, "business-rule")
    return Problem(code, what, _LENIENT, refusal.origin.expression)


_CODES = {
    "answer-not-understood": "code-invalid",
    "code-ambiguous": "code-invalid",
    "code-only-text": "code-invalid",
    "finding-unknown": "code-invalid",
    "form-unknown": "code-invalid",
    "question-unknown": "code-invalid",
    "parameter-unknown": "not-supported",
    "stock-unknown": "code-invalid",
    "unit-not-read": "code-invalid",
    "units-contradict": "code-invalid",
    "modifier-extension": "extension",
    "value-missing": "required",
    "quantity-missing": "required",
    "subject-missing": "required",
}


# What the models raise beside their own error about a resource inside a resource: its type is
# looked up before it is checked, and their recursion has no limit.
_STUMBLES = (AttributeError, KeyError, RecursionError, TypeError, ValueError)


def _check_shell(node: dict[str, Any], place: str, problems: list[Problem]) -> None:
    """Check a resource, and each resource that stands in it, with its own model."""
    bare = dict(node)
    for name in ("entry", "parameter"):
        if isinstance(node.get(name), list):
            bare[name] = _without_resources(node[name], f"{place}.{name}", problems)
    _check_one(bare, place, problems)


def _without_resources(items: list[Any], place: str, problems: list[Problem]) -> list[Any]:
    bare = []
    for index, item in enumerate(items):
        if isinstance(item, dict) and "resource" in item:
            _check_shell(item["resource"], f"{place}[{index}].resource", problems)
            bare.append({**item, "resource": {"resourceType": "Basic", "code": {"text": "-"}}})
        else:
            bare.append(item)
    return bare


def _check_one(node: dict[str, Any], place: str, problems: list[Problem]) -> None:
    from fhir.resources.R4B import get_fhir_model_class

    try:
        get_fhir_model_class(str(node.get("resourceType"))).model_validate(node)
    except ValidationError as error:
        problems.extend(_problem(one["loc"], one["type"], place) for one in error.errors())
    except _STUMBLES:
        what = "It holds something that FHIR R4 does not have, such as an unknown resource type."
        problems.append(Problem("structure", what, "Check each resourceType in it.", place))


def _problem(loc: tuple[str | int, ...], kind: str, place: str) -> Problem:
    where = place
    for step in loc:
        where = f"{where}[{step}]" if isinstance(step, int) else json_text.named(where, step)
    if kind == "extra_forbidden":
        what, remedy = "There is no such element in FHIR R4.", "Check its name, or leave it out."
    elif kind.endswith("missing"):
        what, remedy = "A required element is missing.", "Send it."
    else:
        what, remedy = "The element is not as FHIR R4 defines it.", "Check its type and form."
    return Problem("structure", what, remedy, where)
