"""A known infant, and the answer that must come: decided once before the service says it is ready.

They decide nothing, so they are no part of the content's digest.
"""

from dataclasses import dataclass
from pathlib import Path

from cds_service.content import tree
from cds_service.content.desk import Desk, Names
from cds_service.content.fields import Fields
from cds_service.content.model import Cite
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

FOLDER = "known/"
"""Holds the request, and a file of answers for each edition or adaptation of it."""
INFANT = f"{FOLDER}infant.json"
"""The request about the infant, as `$apply` takes it."""


@dataclass(frozen=True, slots=True)
class KnownDose:
    """One order that must come, in the words of `fhir.gist.Dose`."""

    medicine: str
    """Code of the medicine's file."""
    dose: str
    """For example "2.5 mL = 25 mg 1 a day for 7 days"."""
    cite: Cite


@dataclass(frozen=True, slots=True)
class Known:
    """What must come of one request: every class and every order of it."""

    file: str
    """Where it stands, below the protocol's folder."""
    request: bytes
    classes: tuple[str, ...]
    doses: tuple[KnownDose, ...]


def known(folder: Path, protocol: Protocol) -> Known:
    """What is known of the protocol in `folder`; raises ContentError with every finding.

    An adaptation that has no file of its own must give the answer of its edition.
    """
    name = protocol.name.partition("|")[2]
    files = [f"{FOLDER}{each}.yaml" for each in dict.fromkeys((name, protocol.version))]
    file = next((each for each in files if (folder / each).is_file()), files[0])
    missing = [each for each in (INFANT, file) if not (folder / each).is_file()]
    desk = Desk(Names(sources=frozenset(source.key for source in protocol.sources)))
    for each in missing:
        desk.fault(each, 1, "the file is missing; without it nothing is known to decide rightly")
    found = None if missing else _read(folder, file, desk, protocol)
    if found is None or desk.findings:
        raise ContentError(desk.findings)
    return found


def _read(folder: Path, file: str, desk: Desk, protocol: Protocol) -> Known | None:
    root = tree.read((folder / file).read_bytes(), file, desk.fault)
    if root is None:
        return None
    top = Fields(root, desk, "classes doses")
    classes = top.inner("classes", "codes")
    codes = classes.names("codes", protocol.row_by_code, "class")
    doses = tuple(_dose(*each, protocol) for each in top.entries("doses", "dose"))
    if not codes or not doses:
        top.fault("doses", "a class and a dose are due; else next to nothing would be checked")
    return Known(file, (folder / INFANT).read_bytes(), codes, doses)


def _dose(medicine: str, fields: Fields, protocol: Protocol) -> KnownDose:
    if medicine not in protocol.medicine_by_code:
        fields.desk.report(fields.node, f"unknown medicine {medicine}; correct it or declare it")
    return KnownDose(medicine, fields.text("dose"), fields.cite)
