"""pyrofile-validator judges by the official definitions and our profiles (differentials).

Runs in its own environment and prints the alarms of each resource.
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


def validator(root: Path, definitions: Path) -> Validator:
    """Our profiles of the base edition beside the official definitions, nothing from elsewhere."""
    ours = [str(path) for path in (root / "profiles").glob("*.json")]
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
    judge = validator(Path(sys.argv[2]), Path(sys.argv[3]) / "package")
    judged = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    json.dump({name: alarms(judge, name, each) for name, each in judged.items()}, sys.stdout)
