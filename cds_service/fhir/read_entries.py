"""The entries of the Bundle: decoded, with their place, each resource once."""

from dataclasses import dataclass, field
from typing import Any, TypeVar

from msgspec import UNSET, Raw
from msgspec.json import Decoder

from cds_service.case import Origin
from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir.facts import Sent
from cds_service.fhir.read_body import Body
from cds_service.fhir.wire import Entry, Resource, decoder
from cds_service.fhir.wire_error import DECODE_ERRORS, from_decoder
from cds_service.fhir.wire_resources import (
    AllergyIntolerance,
    Condition,
    Encounter,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    MedicationStatement,
    Observation,
    Patient,
)

R = TypeVar("R", bound=Resource)

_SHAPES: dict[str, Decoder[Any]] = {
    shape.__name__: decoder(shape)
    for shape in (
        AllergyIntolerance,
        Condition,
        Encounter,
        Medication,
        MedicationAdministration,
        MedicationRequest,
        MedicationStatement,
        Observation,
        Patient,
    )
}


@dataclass(slots=True)
class Entries:
    """The decoded resources by type; other types are accepted and left out."""

    by_type: dict[type[Resource], list[Any]] = field(default_factory=dict)

    def of(self, kind: type[R]) -> list[Sent[R]]:
        """The resources of one type, in the order of the request."""
        return self.by_type.get(kind, [])


def read_entries(body: Body) -> Entries:
    """Decode the entries of a Bundle.

    Raises MalformedRequest with every resource that is not FHIR R4, and with both places of a
    resource that is sent twice with different content (bdl-7).
    """
    entries, problems = Entries(), list[Problem]()
    seen: dict[str, tuple[Sent[Resource], Raw]] = {}
    sent = [] if body.bundle.entry is UNSET else body.bundle.entry
    for index, (entry, node) in enumerate(zip(sent, body.nodes, strict=True)):
        if entry.resource is UNSET:
            continue
        place = f"{body.place}.entry[{index}].resource"
        try:
            one = _sent(entry, entry.resource, node["resource"], place)
            if one is not None and not _again(one, entry.resource, seen):
                entries.by_type.setdefault(type(one.resource), []).append(one)
        except MalformedRequest as error:
            problems.extend(error.problems)
    if problems:
        raise MalformedRequest(*problems)
    return entries


def _sent(entry: Entry, raw: Raw, node: Any, place: str) -> Sent[Resource] | None:
    kind = node.get("resourceType") if isinstance(node, dict) else None
    if not isinstance(kind, str):
        what = "The resource has no resourceType."
        raise MalformedRequest(Problem("structure", what, "Send a FHIR R4 resource.", place))
    shape = _SHAPES.get(kind)
    if shape is None:
        return None
    try:
        resource: Resource = shape.decode(raw)
    except DECODE_ERRORS as error:
        raise MalformedRequest(from_decoder(error, place)) from None
    if entry.modifier_extension is not UNSET:
        resource.modifier_extension = entry.modifier_extension
    own = "" if resource.id is UNSET else f"{kind}/{resource.id}"
    full_url = "" if entry.full_url is UNSET else entry.full_url
    return Sent(resource, full_url, own, Origin(full_url or own, place))


def _again(one: Sent[Resource], raw: Raw, seen: dict[str, tuple[Sent[Resource], Raw]]) -> bool:
    """Whether this resource was read before; raises MalformedRequest when it was different."""
    for identity in (one.full_url, one.own):
        if not identity:
            continue
        earlier, bytes_then = seen.setdefault(identity, (one, raw))
        if earlier is one or _elsewhere(one.full_url, earlier.full_url):
            continue
        if bytes(bytes_then) == bytes(raw):
            return True
        what = "The same resource is sent twice with different content (bdl-7)."
        remedy = f"Send only the current one; the other is at {earlier.origin.expression}."
        raise MalformedRequest(Problem("duplicate", what, remedy, one.origin.expression))
    return False


def _elsewhere(one: str, other: str) -> bool:
    """Whether two addresses name resources of different servers, which may share an id."""
    return one != other and one.startswith("http") and other.startswith("http")
