"""pyrofile-validator judges by the official definitions and our profiles (differentials).

Once for each edition, by what that edition publishes. Runs in its own environment and prints the
alarms of each resource.
"""

import contextlib
import io
import json
import re
import sys
import tempfile
from pathlib import Path

from pyrofile_validator import Validator
from pyrofile_validator.config import ValidatorConfig

BASE = "http://cds-service.example/fhir/StructureDefinition/"


def edition_of(name: str) -> str:
    """The folder of the edition that a resource belongs to; "" is the base."""
    folder, _, rest = name.partition("/")
    edition = rest.partition("/")[0].replace("+", "-")
    inside = folder in ("profiles", "cases") and edition.startswith("20") and "/" in rest
    return edition if inside else ""


def validator(root: Path, definitions: Path, edition: str) -> Validator:
    """Our profiles of an edition beside the official definitions, nothing from elsewhere."""
    by_url: dict[str, str] = {}
    for folder in (root / "profiles", root / "profiles" / edition):
        for path in sorted(folder.glob("*.json")):
            # What an edition publishes under the same address stands for that of the base.
            by_url[json.loads(path.read_text(encoding="utf-8"))["url"]] = str(path)
    ours = list(by_url.values())
    config = {
        "fhirVersion": "4.0.1",
        "terminology": {"mode": "local"},
        "localPackagePaths": [str(definitions), *ours],
        "evidenceOutputDir": tempfile.mkdtemp(),
    }
    return Validator(ValidatorConfig.load_dict(config))


def alarms(judge: Validator, name: str, resource: dict) -> list[list[str]]:
    """Code and path of each error; an answer of $apply is held to the profile of answers."""
    if name.endswith("response.json") or name.startswith("seeded/"):
        resource = {**resource, "meta": {"profile": [BASE + "infant-plan"]}}
    with contextlib.redirect_stdout(io.StringIO()):  # its trace() prints
        report = judge.validate_resource(resource)
    found = {(each.code, re.sub(r"\[\d+\]", "", each.path or "")) for each in report.errors}
    return [list(each) for each in sorted(found)]


if __name__ == "__main__":
    lines = Path(sys.argv[1]).read_text(encoding="utf-8").strip("\n").split("\n")
    judged = {name: json.loads(text) for name, text in (line.split("\t", 1) for line in lines)}
    root, definitions, found = Path(sys.argv[2]), Path(sys.argv[3]) / "package", {}
    for edition in sorted({edition_of(name) for name in judged}):
        judge = validator(root, definitions, edition)
        for name, each in judged.items():
            if edition_of(name) == edition:
                found[name] = alarms(judge, name, each)
    json.dump(found, sys.stdout)
