"""check-content, diff-content, catalogue, profiles: the clinical content and what is made of it."""

import argparse
from pathlib import Path
from typing import Any

from cds_service.cli.arguments import command, refuse
from cds_service.content.hazards import hazards
from cds_service.content.known import known
from cds_service.content.library import Library
from cds_service.content.load import every_layer, load, packaged, packaged_folder
from cds_service.errors import CdsError, ContentError
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the commands."""
    check = command(commands, "check-content", _check_content, "check a protocol's files")
    check.add_argument(
        "folder",
        nargs="?",
        type=Path,
        help="one protocol's folder, named as the protocol's id, or a folder of such folders "
        "(default: the protocols that come with the program)",
    )

    compare = command(
        commands, "diff-content", _diff_content, "say what changes from one content to another"
    )
    for name in ("old", "new"):
        compare.add_argument(name, help="an edition, with + and an adaptation: 2024.1+kestria")

    catalogue = command(
        commands, "catalogue", _catalogue, "bring the caregiver's texts to a translator's file"
    )
    catalogue.add_argument(
        "language",
        nargs="*",
        help="tags such as sw or pt-BR, one file each (default: every language there is)",
    )
    catalogue.add_argument(
        "--folder",
        type=Path,
        help="one protocol's folder (default: that of the protocol that comes with the program)",
    )

    profiles = command(
        commands, "profiles", _profiles, "write the FHIR artefacts that are made from the content"
    )
    profiles.add_argument("--check", action="store_true", help="only compare; 1 when they differ")
    profiles.add_argument("--out", type=Path, default=Path("profiles"), help="default: profiles")


def _check_content(asked: argparse.Namespace) -> int:
    findings: list[str] = []
    for folder, name in _protocols(asked.folder):
        for layered in every_layer(name, folder):
            try:
                edition, adaptation = layered
                protocol = load(folder, name, edition=edition, adaptation=adaptation)
                where = folder / name if folder else packaged_folder(name)
                hazards(where, protocol)
                known(where, protocol)
            except ContentError as error:
                findings += [f"{(folder or Path()) / name / each}" for each in error.findings]
            else:
                print(f"{protocol.name}: no findings, content {protocol.digest}")
    if findings:
        raise ContentError(tuple(findings))
    return 0


def _diff_content(asked: argparse.Namespace) -> int:
    from cds_service.label.differences import differences

    protocol_id, library = Settings.read().protocol, Library()
    old, new = (library.named(f"{protocol_id}|{name}") for name in (asked.old, asked.new))
    for line in differences(old, new):
        print(line)
    return 0


def _protocols(folder: Path | None) -> list[tuple[Path | None, str]]:
    """Each protocol to be checked, as `load` takes it: the folder that it is in, and its name."""
    if folder is None:
        return [(None, name) for name in packaged()]
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "there is no such folder"
        raise CdsError(f"{folder}: {what}; give a protocol's folder, or the folder they are in")
    inside = sorted(path.parent for path in folder.resolve().glob("*/protocol.yaml"))
    return [(path.parent, path.name) for path in inside or [folder.resolve()]]


def _catalogue(asked: argparse.Namespace) -> int:
    from cds_service.content.write_catalogue import update

    folder = asked.folder or packaged_folder(Settings.read().protocol)
    folder = folder.resolve()
    protocol = load(folder.parent, folder.name, translated=False)
    for done in update(protocol, folder, asked.language):
        print(
            f"{done.path}: {done.texts} texts, {done.without} without translation, "
            f"{done.changed} to look at again"
        )
    return 0


def _profiles(asked: argparse.Namespace) -> int:
    from cds_service.fhir.artefacts import files

    settings = Settings.read()
    others = (
        load(protocol_id=settings.protocol, edition=edition, adaptation=adaptation)
        for edition, adaptation in every_layer(settings.protocol)
    )
    made = files(load(protocol_id=settings.protocol), settings.base, others)
    if asked.check:
        findings = _differences(asked.out, made)
        return refuse("The artefacts are not those of the content:", *findings) if findings else 0
    for name, content in made.items():
        (asked.out / name).parent.mkdir(parents=True, exist_ok=True)
        (asked.out / name).write_bytes(content)
    print(f"{len(made)} artefacts written to {asked.out}")
    return 0


def _differences(folder: Path, made: dict[str, bytes]) -> list[str]:
    """What `cds-service profiles` would change, and generated files that are no longer made."""
    findings = []
    for name, content in sorted(made.items()):
        path = folder / name
        if not path.is_file():
            findings.append(f"{path}: missing; run cds-service profiles")
        elif path.read_bytes() != content:
            findings.append(f"{path}: differs; run cds-service profiles")
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*.json")}
    left_over = there - made.keys()
    return findings + [
        f"{folder / name}: nothing makes it; remove it" for name in sorted(left_over)
    ]
