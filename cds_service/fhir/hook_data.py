"""What was prefetched, as entries of one Bundle: what is sent is used or refused, never dropped.

A key that is absent, or holds the error of a search or one page of several, was not satisfied: what
it asks for is unknown. A key that is null was satisfied, and there is nothing (CDS Hooks 2.0,
"Prefetch Template").
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import orjson
from msgspec import UNSET, Raw, UnsetType

from cds_service.errors import DataNotSent, MalformedRequest, Problem, UnusableRequest
from cds_service.fhir import json_text
from cds_service.fhir.wire import Wire, decode, decoder

TEMPLATES: Final = {
    "patient": "Patient/{{context.patientId}}",
    "encounter": "Encounter/{{context.encounterId}}",
    "observations": "Observation?patient={{context.patientId}}",
    "conditions": "Condition?patient={{context.patientId}}",
    "allergies": "AllergyIntolerance?patient={{context.patientId}}",
    "medicationRequests": "MedicationRequest?patient={{context.patientId}}",
    "medicationStatements": "MedicationStatement?patient={{context.patientId}}",
    "medicationAdministrations": "MedicationAdministration?patient={{context.patientId}}",
}
"""The data that every service asks for, by key."""
NEEDED: Final = ("patient", "observations")
"""Without these nothing can be said."""

_KIND = {key: query.partition("?")[0].partition("/")[0] for key, query in TEMPLATES.items()}


class _Entry(Wire, kw_only=True):
    full_url: Raw | UnsetType = UNSET
    resource: Raw | UnsetType = UNSET
    modifier_extension: Raw | UnsetType = UNSET


class _Bundle(Wire, kw_only=True):
    entry: list[_Entry] | UnsetType = UNSET
    modifier_extension: Raw | UnsetType = UNSET
    implicit_rules: Raw | UnsetType = UNSET


_BUNDLE = decoder(_Bundle)


@dataclass(frozen=True, slots=True)
class Data:
    """The entries, as texts, with the place of each in the request."""

    entries: tuple[bytes, ...] = ()
    places: tuple[str, ...] = ()
    not_sent: tuple[str, ...] = ()

    def bundle(self) -> bytes:
        """All of it as one Bundle."""
        inside = b',"entry":[%b]' % b",".join(self.entries) if self.entries else b""
        return b'{"resourceType":"Bundle","type":"collection"%b}' % inside

    def with_drafts(self, raw: Raw, node: Any, place: str) -> tuple[list[tuple[Raw, str]], "Data"]:
        """The drafted MedicationRequests with their places; Medications join the data."""
        if not _is_bundle(node):
            raise MalformedRequest(_no_bundle(place))
        orders, medications = [], self
        for entry, inner, where in _entries(raw, node, place):
            kind = inner.get("resourceType")
            if kind == "MedicationRequest" and isinstance(entry.resource, Raw):
                orders.append((entry.resource, where))
            elif kind == "Medication":
                medications = medications.plus(_text(entry), where)
        return orders, medications

    def plus(self, entry: bytes, place: str) -> "Data":
        """With one more entry, unless the very same is there."""
        if entry in self.entries:
            return self
        return replace(self, entries=(*self.entries, entry), places=(*self.places, place))


def gathered(sent: Mapping[str, Raw], tree: Mapping[str, Any], server: str) -> Data:
    """The data of a call; raises MalformedRequest, and DataNotSent when it cannot be done without.

    `tree` is the same parsed, for looking only.
    """
    data, missing = Data(), [key for key in TEMPLATES if key not in sent]
    for key, raw in sent.items():
        node, place = tree[key], json_text.named("prefetch", key)
        if node is None:
            continue
        if _has_failed(node):
            missing += [key] if key in TEMPLATES else []
        elif _is_bundle(node) and node.get("type") != "document":
            for entry, inner, where in _entries(raw, node, place):
                if inner.get("resourceType") != "OperationOutcome":
                    data = data.plus(_text(entry), where)
        else:
            data = data.plus(_single(key, raw, node, place, server), place)
    _check_needed(missing, tree)
    return replace(data, not_sent=tuple(key for key in TEMPLATES if key in missing))


def _check_needed(missing: list[str], tree: Mapping[str, Any]) -> None:
    lacking = [key for key in NEEDED if key in missing]
    lacking += ["patient"] if tree.get("patient", ...) is None else []
    if lacking:
        what = "Data that is needed was not prefetched: " + ", ".join(lacking) + "."
        remedy = (
            "Send these keys of the prefetch templates, each search with all its pages. This "
            "service fetches nothing by itself, whatever fhirServer says."
        )
        raise DataNotSent(Problem("incomplete", what, remedy, "prefetch"))


def _is_bundle(node: Any) -> bool:
    return isinstance(node, dict) and node.get("resourceType") == "Bundle"


def _has_failed(node: Any) -> bool:
    """Whether a value is, or holds, the error of its query, or only a part of the answer."""
    if not isinstance(node, dict):
        return False
    if node.get("resourceType") == "OperationOutcome":
        return True
    if not _is_bundle(node):
        return False
    if any(each.get("relation") == "next" for each in _objects(node.get("link"))):
        return True
    entries = _objects(node.get("entry"))
    total = node.get("total")
    if isinstance(total, int) and total > len(entries):
        return True
    return any(_is_error(each.get("resource")) for each in entries)


def _is_error(resource: Any) -> bool:
    if not isinstance(resource, dict) or resource.get("resourceType") != "OperationOutcome":
        return False
    found = (each.get("severity") for each in _objects(resource.get("issue")))
    return any(severity in ("fatal", "error") for severity in found)


def _objects(value: Any) -> list[Any]:
    """The objects of a list; none when it is no list, which is refused where it is read."""
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []


def _single(key: str, raw: Raw, node: Any, place: str, server: str) -> bytes:
    kind, name = (node.get("resourceType"), node.get("id")) if isinstance(node, dict) else ("", "")
    wanted = _KIND.get(key)
    if not isinstance(kind, str) or not kind or (wanted is not None and kind != wanted):
        remedy = f"Send {wanted or 'a resource'}, a searchset Bundle, or null."
        what = "The prefetched value is not what the template asks for."
        raise MalformedRequest(Problem("structure", what, remedy, place))
    if not server or not isinstance(name, str):
        return b'{"resource":%b}' % bytes(raw)
    address = orjson.dumps(f"{server}/{kind}/{name}")
    return b'{"fullUrl":%b,"resource":%b}' % (address, bytes(raw))


def _entries(raw: Raw, node: Any, place: str) -> list[tuple[_Entry, Any, str]]:
    bundle = decode(_BUNDLE, raw, place)
    if bundle.modifier_extension is not UNSET or bundle.implicit_rules is not UNSET:
        what = "An extension or rule may change the meaning of all that is in it."
        remedy = "Leave out implicitRules and modifierExtension, or send what they mean."
        raise UnusableRequest(Problem("extension", what, remedy, place))
    entries = [] if bundle.entry is UNSET else bundle.entry
    found = []
    for index, (entry, inner) in enumerate(zip(entries, node.get("entry") or (), strict=True)):
        resource = inner.get("resource") if isinstance(inner, dict) else None
        if isinstance(resource, dict):
            found.append((entry, resource, f"{place}.entry[{index}].resource"))
        elif entry.resource is not UNSET:
            raise MalformedRequest(_no_bundle(f"{place}.entry[{index}]"))
    return found


def _text(entry: _Entry) -> bytes:
    parts = {
        b"fullUrl": entry.full_url,
        b"modifierExtension": entry.modifier_extension,
        b"resource": entry.resource,
    }
    told = [b'"%b":%b' % (k, bytes(v)) for k, v in parts.items() if isinstance(v, Raw)]
    return b"{%b}" % b",".join(told)


def _no_bundle(place: str) -> Problem:
    what = "This is not a Bundle of resources."
    return Problem("structure", what, "Send a Bundle with a resource in each entry.", place)
