"""Profiles: what a StructureDefinition is made of, as differentials only (FHIR R4 profiling.html).

An element is told by its path below the type and what is narrowed there.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.write_json import Json

_CORE = "http://hl7.org/fhir/StructureDefinition"


class Element(NamedTuple):
    """One narrowed element: `path` below the type ("code", "entry:guidance.resource")."""

    path: str
    narrowed: Mapping[str, Any]


class Profile(NamedTuple):
    """One profile of a resource type."""

    id: str
    type: str
    title: str
    about: str
    elements: Sequence[Element]


def needed(path: str, **narrowed: Any) -> Element:
    """An element that has to be there."""
    return Element(path, {"min": 1, **narrowed})


def absent(path: str) -> Element:
    """An element that may not be there."""
    return Element(path, {"max": "0"})


def bound(base: str, value_set: str) -> Json:
    """A required binding to one of our value sets."""
    return {"strength": "required", "valueSet": f"{base}/ValueSet/{value_set}"}


def coded(system: str, code: str) -> Json:
    """A CodeableConcept with at least this coding."""
    return {"coding": [{"system": system, "code": code}]}


def structure(protocol: Protocol, base: str, profile: Profile) -> Json:
    """The StructureDefinition."""
    about = f"{profile.about} {words(protocol, 'artefact.draft')}"
    started = headed(protocol, base, "StructureDefinition", profile.id, profile.title, about)
    return started | {
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": profile.type,
        "baseDefinition": f"{_CORE}/{profile.type}",
        "derivation": "constraint",
        "differential": {"element": _elements(profile)},
    }


def _elements(profile: Profile) -> list[Json]:
    root = {"id": profile.type, "path": profile.type}
    return [root, *(_element(profile.type, each) for each in profile.elements)]


def _element(kind: str, element: Element) -> Json:
    steps = [step.partition(":") for step in element.path.split(".")]
    path = ".".join((kind, *(name for name, _, _ in steps)))
    made: Json = {"id": f"{kind}.{element.path}", "path": path}
    if steps[-1][2]:
        made["sliceName"] = steps[-1][2]
    return made | dict(element.narrowed)
