"""Resources made at random from the official definitions of FHIR R4 (hl7.fhir.r4.core 4.0.1, CC0).

No published example resources could be had offline, so these stand in for them: of every type, each
element that its definition has, by the definition's own types, codes left to chance. They are
well-formed, not sensible.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

Json = dict[str, Any]
_WORDS = ("ford", "brenna", "vale", "final", "active", "marrow", "tolm")
_DEEPEST = 4


def resource_types(definitions: Path) -> dict[str, Json]:
    """The definition of each type of resource and data type, by its name."""
    found = {}
    for path in sorted(definitions.glob("StructureDefinition-*.json")):
        one = json.loads(path.read_text(encoding="utf-8"))
        if one.get("derivation") != "constraint" and not one["abstract"]:
            found[one["type"]] = one
    return found


class Maker:
    """Makes resources; the same seed makes the same."""

    def __init__(self, types: dict[str, Json], seed: int) -> None:
        self._types = types
        self._random = Random(seed)
        self._elements = {
            name: [each for each in one["snapshot"]["element"] if "." in each["path"]]
            for name, one in types.items()
        }

    def resource(self, kind: str) -> Json:
        """A resource of that type."""
        return {"resourceType": kind, **self._members(kind, kind, 0)}

    def _members(self, kind: str, parent: str, depth: int) -> Json:
        """The members of a data type, or of a part of a resource (`parent` is its path)."""
        made: Json = {}
        for element in self._elements[kind]:
            path = element["path"]
            if path.rpartition(".")[0] != parent or element["max"] == "0":
                continue
            if element["min"] == 0 and self._random.random() < 0.3 + 0.15 * depth:
                continue
            name, types = path.rpartition(".")[2], element.get("type", [])
            if not types or name in ("contained", "extension", "modifierExtension", "meta"):
                continue
            code = self._random.choice(types)["code"]
            value = self._value(kind, path, code, depth + 1)
            if value is not None:
                name = name.replace("[x]", code[0].upper() + code[1:])
                made[name] = [value] if element["max"] == "*" else value
        return made

    def _value(self, kind: str, path: str, code: str, depth: int) -> Any:
        if code.startswith("http://hl7.org/fhirpath/"):  # ids, and what is beneath primitives
            return f"{self._random.choice(_WORDS)}-{self._random.randrange(1000)}"
        if self._types.get(code, {}).get("kind") == "primitive-type":
            return self._primitive(code)
        if depth > _DEEPEST or code == "Resource":
            return None
        within = (kind, path) if code in ("BackboneElement", "Element") else (code, code)
        return self._members(*within, depth) if within[0] in self._elements else None

    def _primitive(self, code: str) -> Any:
        number = self._random.randrange(1, 60)
        date = f"20{number // 3 + 10}-0{number % 9 + 1}-1{number % 10}"
        known = {
            "boolean": bool(number % 2),
            "integer": number,
            "positiveInt": number,
            "unsignedInt": number,
            "decimal": number + 0.5,
            "date": date,
            "dateTime": f"{date}T08:30:00+02:00",
            "instant": f"{date}T08:30:00+02:00",
            "time": "08:30:00",
            "base64Binary": "Zm9yZA==",
            "uri": "http://elsewhere.example/ford",
            "url": "http://elsewhere.example/ford",
            "canonical": "http://elsewhere.example/ford",
            "oid": "urn:oid:1.2.3",
            "uuid": "urn:uuid:8e03978e-40d5-43e8-bc93-6894a57f9324",
        }
        return known.get(code, self._random.choice(_WORDS))


def resources(definitions: Path, seed: int, each: int) -> Iterator[Json]:
    """So many of every type."""
    types = resource_types(definitions)
    maker = Maker(types, seed)
    for kind, one in types.items():
        if one["kind"] == "resource":
            for _ in range(each):
                yield maker.resource(kind)
