"""Parameters of the small operations: each named once, with one value of a type it may have."""

from collections.abc import Mapping, Sequence
from typing import Annotated

from msgspec import UNSET, Meta, Raw, UnsetType

from cds_service.errors import MalformedRequest, Problem, UnusableRequest
from cds_service.fhir import json_text
from cds_service.fhir.wire import Concept, NamedReference, Resource, Text, Wire, decode, decoder

Allowed = Mapping[str, tuple[str, ...]]
"""For each parameter the values that it may have, by FHIR's name of the element."""


class OperationParameter(Wire, kw_only=True):
    """One parameter, with the value types that are read."""

    name: Text
    value_code: Text | UnsetType = UNSET
    value_string: Text | UnsetType = UNSET
    value_reference: NamedReference | UnsetType = UNSET
    value_codeable_concept: Concept | UnsetType = UNSET
    value_integer: int | UnsetType = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET


class OperationParameters(Resource, tag="Parameters", kw_only=True):
    """FHIR Parameters of a small operation."""

    parameter: Annotated[list[OperationParameter], Meta(min_length=1)] | UnsetType = UNSET


_DECODER = decoder(OperationParameters)
_VALUES = {
    "valueCode": "value_code",
    "valueString": "value_string",
    "valueReference": "value_reference",
    "valueCodeableConcept": "value_codeable_concept",
    "valueInteger": "value_integer",
}


def read_parameters(body: bytes, allowed: Allowed) -> dict[str, OperationParameter]:
    """The parameters by name.

    Raises MalformedRequest (not JSON, not Parameters, a parameter that is not allowed, twice or
    of another type) and UnusableRequest (a rule that may change the meaning).
    """
    tree = json_text.parse(body)
    if not isinstance(tree, dict) or tree.get("resourceType") != "Parameters":
        what = "The body is not a Parameters resource."
        raise MalformedRequest(Problem("structure", what, "Send Parameters."))
    sent = decode(_DECODER, body, "Parameters")
    if sent.has_unknown_rules():
        raise UnusableRequest(_rules("Parameters"))
    return _by_name([] if sent.parameter is UNSET else sent.parameter, allowed)


def _by_name(sent: Sequence[OperationParameter], allowed: Allowed) -> dict[str, OperationParameter]:
    found: dict[str, OperationParameter] = {}
    for index, one in enumerate(sent):
        place = f"Parameters.parameter[{index}]"
        if one.name not in allowed:
            remedy = f"Send only {', '.join(allowed)}."
            what = "A parameter is not one of this operation."
            raise MalformedRequest(Problem("not-supported", what, remedy, place))
        if one.name in found:
            what = f"The parameter `{one.name}` is given more than once."
            raise MalformedRequest(Problem("structure", what, "Send it once.", place))
        if one.modifier_extension is not UNSET:
            raise UnusableRequest(_rules(place))
        given = [name for name, ours in _VALUES.items() if getattr(one, ours) is not UNSET]
        if len(given) != 1 or given[0] not in allowed[one.name]:
            what = f"The parameter `{one.name}` has not exactly one value of its type."
            remedy = f"Send {' or '.join(allowed[one.name])}."
            raise MalformedRequest(Problem("structure", what, remedy, place))
        found[one.name] = one
    return found


def entry_named(one: OperationParameter | None) -> int | None:
    """The index of the log that a parameter `entry` names; raises UnusableRequest."""
    if one is None or not isinstance(one.value_integer, int):
        return None
    if not 0 <= one.value_integer < 2**63:
        what = "The parameter `entry` is no index of the log."
        raise UnusableRequest(Problem("value", what, "Send a number from 0.", "Parameters"))
    return one.value_integer


def _rules(place: str) -> Problem:
    what = "An extension or rule may change the meaning of what is sent."
    return Problem("extension", what, "Leave out implicitRules and modifierExtension.", place)
