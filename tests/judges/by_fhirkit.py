"""fhirkit-rs judges: structure, and whether a decimal stays as it was written.

Runs in its own environment. FHIR R4, datatype decimal: the precision matters, 3.10 is not 3.1.
"""

import json
import re
import sys
from pathlib import Path

import fhirkit


class Exact(str):
    """A number as it is written."""

    __slots__ = ()


def numbers(value: object, path: str) -> dict[str, str]:
    """Every decimal of a resource as it is written, by its path."""
    if isinstance(value, Exact):
        return {path: str(value)}
    if isinstance(value, dict):
        parts = [(f"{path}.{key}", each) for key, each in value.items()]
    elif isinstance(value, list):
        parts = [(f"{path}[{place}]", each) for place, each in enumerate(value)]
    else:
        parts = []
    return {at: text for where, each in parts for at, text in numbers(each, where).items()}


def changed(ours: str, theirs: str) -> list[str]:
    """The paths of the decimals that are written otherwise, or not at all."""
    one, other = (numbers(json.loads(each, parse_float=Exact), "") for each in (ours, theirs))
    return sorted(path for path in {*one, *other} if one.get(path) != other.get(path))


def alarms(text: str) -> list[list[str]]:
    """What it says of a resource, and each decimal that it writes otherwise than we do."""
    try:
        read = fhirkit.parse(text)
    except fhirkit.ParseError as error:
        return [["parse", str(error)[:300]]]
    found = [[each.message[:200], each.path] for each in read.issues if each.severity == "error"]
    found += [["decimal", path] for path in changed(text, read.to_json())]
    return [[code, re.sub(r"\[\d+\]", "", path)] for code, path in found]


if __name__ == "__main__":
    if changed('{"a": [3.10]}', '{"a": [3.1]}') != [".a[0]"]:
        sys.exit("The comparison of decimals sees nothing.")
    lines = Path(sys.argv[1]).read_text(encoding="utf-8").strip("\n").split("\n")
    judged = dict(line.split("\t", 1) for line in lines)
    json.dump({name: alarms(text) for name, text in judged.items()}, sys.stdout)
