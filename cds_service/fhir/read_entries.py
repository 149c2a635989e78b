"""The entries of the Bundle: decoded, with their place, each resource once."""

import re
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_args

from msgspec import UNSET, Raw
from msgspec.json import Decoder

from cds_service.case import Origin
from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir.facts import Sent, own_name
from cds_service.fhir.read_body import Body
from cds_service.fhir.wire import Entry, Resource, decode, decoder, is_uri
from cds_service.fhir.wire_resources import Readable

R = TypeVar("R", bound=Resource)

_KINDS: tuple[type[Resource], ...] = get_args(Readable)
_SHAPES: dict[str, Decoder[Any]] = {kind.__name__: decoder(kind) for kind in _KINDS}

_IDS = re.compile(r"[A-Za-z0-9.\- ]*")
"""Ids (FHIR R4 data type id), parted by blanks."""


@dataclass(slots=True)
class Entries:
    """The decoded resources by type; other types are accepted and left out."""

    by_type: dict[type[Resource], list[Any]] = field(
        default_factory=lambda: {kind: [] for kind in _KINDS}
    )

    def of(self, kind: type[R]) -> list[Sent[R]]:
        """The resources of one type, in the order of the request."""
        return self.by_type[kind]


def read_whole(body: Body) -> Entries | None:
    """The entries of a Bundle that was decoded whole.

    None when two may be the same resource, or an id or address is none: `read_entries` says where.
    """
    entries = Entries()
    identities, ids = list[str](), list[str]()
    place = f"{body.place}.entry["
    for index, entry in enumerate([] if body.bundle.entry is UNSET else body.bundle.entry):
        resource: Any = entry.resource
        found = entries.by_type.get(type(resource))
        if found is None:  # no resource, or one of a type that is left out
            continue
        one = _sent(entry, resource, f"{place}{index}].resource")
        found.append(one)
        # Most entries have an address on a server, which then is their one identity.
        if one.full_url.startswith("http"):
            identities.append(one.full_url)
        else:
            identities += _identities(one)
        if resource.id is not UNSET:
            ids.append(resource.id)
    if len(set(identities)) < len(identities) or not _are_ids(ids):
        return None
    if not is_uri("".join(identities)):
        return None
    return entries


def _are_ids(ids: list[str]) -> bool:
    text = " ".join(ids)
    return text.count(" ") == max(len(ids) - 1, 0) and _IDS.fullmatch(text) is not None


def read_entries(body: Body) -> Entries:
    """Decode the entries of a Bundle one by one.

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
            resource = _decoded(entry.resource, node["resource"], place)
            if resource is None:
                continue
            one = _sent(entry, resource, place)
            _check_address(one.full_url, f"{body.place}.entry[{index}].fullUrl")
            if not _again(one, entry.resource, seen):
                entries.by_type[type(resource)].append(one)
        except MalformedRequest as error:
            problems.extend(error.problems)
    if problems:
        raise MalformedRequest(*problems)
    return entries


def _decoded(raw: Raw, node: Any, place: str) -> Resource | None:
    kind = node.get("resourceType") if isinstance(node, dict) else None
    if not isinstance(kind, str):
        what = "The resource has no resourceType."
        raise MalformedRequest(Problem("structure", what, "Send a FHIR R4 resource.", place))
    shape = _SHAPES.get(kind)
    if shape is None:
        return None
    resource: Resource = decode(shape, raw, place)
    if resource.id is not UNSET and not _are_ids([resource.id]):
        what = "The id is not one of FHIR R4."
        remedy = "Send an id of letters, digits, - and . only, at most 64 of them."
        raise MalformedRequest(Problem("value", what, remedy, f"{place}.id"))
    return resource


def _sent(entry: Entry[Any], resource: Resource, place: str) -> Sent[Resource]:
    if entry.modifier_extension is not UNSET:
        resource.modifier_extension = entry.modifier_extension
    if entry.full_url is UNSET:
        return Sent(resource, "", Origin(own_name(resource), place))
    return Sent(resource, entry.full_url, Origin(entry.full_url, place))


def _check_address(full_url: str, place: str) -> None:
    """The answer refers to the resource by it; raises MalformedRequest."""
    if not is_uri(full_url):
        what = "A fullUrl has no blanks and no control characters."
        raise MalformedRequest(Problem("value", what, "Send the resource's own address.", place))


def _identities(one: Sent[Resource]) -> tuple[str, ...]:
    """The names by which the same resource would be known again.

    The address on a server is one; without it a resource is known by its urn, and by `Type/id`.
    """
    if one.full_url.startswith("http"):
        return (one.full_url,)
    return tuple(name for name in (one.full_url, one.own) if name)


def _again(one: Sent[Resource], raw: Raw, seen: dict[str, tuple[Sent[Resource], Raw]]) -> bool:
    """Whether this resource was read before; raises MalformedRequest when it was different."""
    for identity in _identities(one):
        earlier, bytes_then = seen.setdefault(identity, (one, raw))
        if earlier is one:
            continue
        if bytes(bytes_then) == bytes(raw):
            return True
        what = "The same resource is sent twice with different content (bdl-7)."
        remedy = f"Send only the current one; the other is at {earlier.origin.expression}."
        raise MalformedRequest(Problem("duplicate", what, remedy, one.origin.expression))
    return False
