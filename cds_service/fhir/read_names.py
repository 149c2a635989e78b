"""The names in a request that stand on a label: the infant's and the clinic's.

They decide nothing, so they are no part of the Case; they are read again only when a label is
made. What is not there, or not there in one way only, is "": a line to write on.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

import orjson

_ORDER = ("official", "usual", None, "nickname", "temp", "anonymous")
"""The uses of a HumanName (FHIR R4), the best first; old and maiden names are not used."""


class Names(NamedTuple):
    """As they were sent; "" when they were not."""

    infant: str
    clinic: str


def read_names(body: bytes, subject: str, encounter: str) -> Names:
    """The names in the body of a request that was answered.

    `subject` and `encounter` are the references by which the Case knows the two.
    """
    entries = list(_entries(orjson.loads(body)))
    infant = _the_one(entries, "Patient", subject)
    visit = _the_one(entries, "Encounter", encounter)
    return Names(_human(infant.get("name")), _clinic(visit.get("serviceProvider"), entries))


def _entries(tree: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """The resources of the data Bundle with the references that mean each."""
    bundle = tree
    if tree.get("resourceType") == "Parameters":
        sent = [each for each in tree.get("parameter", ()) if each.get("name") == "data"]
        bundle = sent[0].get("resource", {}) if sent else {}
    for entry in bundle.get("entry", ()):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict):
            yield _text(entry.get("fullUrl")), resource


def _the_one(
    entries: list[tuple[str, dict[str, Any]]], kind: str, reference: str
) -> dict[str, Any]:
    """The only resource of that type, or else the only one that is meant; {} for none."""
    of_kind = [each for each in entries if each[1].get("resourceType") == kind]
    if len(of_kind) != 1:
        of_kind = [each for each in of_kind if reference and reference in _known_as(each)]
    return of_kind[0][1] if len(of_kind) == 1 else {}


def _known_as(entry: tuple[str, dict[str, Any]]) -> tuple[str, str]:
    url, resource = entry
    return url, f"{resource.get('resourceType')}/{resource.get('id')}"


def _human(names: Any) -> str:
    """The best of an infant's names, as its text or put together of its parts."""
    known = [each for each in names if isinstance(each, dict)] if isinstance(names, list) else []
    for use in _ORDER:
        for name in (each for each in known if each.get("use") == use):
            given = name.get("given")
            parts = given if isinstance(given, list) else []
            if whole := _text(name.get("text")) or _joined((*parts, name.get("family"))):
                return whole
    return ""


def _clinic(provider: Any, entries: list[tuple[str, dict[str, Any]]]) -> str:
    if not isinstance(provider, dict):
        return ""
    if shown := _text(provider.get("display")):
        return shown
    reference = _text(provider.get("reference"))
    meant = [
        each for each in entries
        if each[1].get("resourceType") == "Organization" and reference in _known_as(each)
    ]  # fmt: skip
    return _text(meant[0][1].get("name")) if reference and len(meant) == 1 else ""


def _joined(parts: tuple[Any, ...]) -> str:
    return " ".join(filter(None, map(_text, parts)))


def _text(value: Any) -> str:
    return value.strip() if isinstance(value, str) else ""
