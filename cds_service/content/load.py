"""Reads a protocol's folder from disk: the only file access of the content.

The digest is SHA-256 over every file below the folder, in path order: relative path (with
"/"), a NUL byte, the exact bytes.
"""

import hashlib
import re
from pathlib import Path

from cds_service.content import check, parse, parse_catalogue, tree
from cds_service.content.catalogue import Catalogue
from cds_service.content.desk import Desk, Names
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

_READ = re.compile(
    rf"(?:{'|'.join(parse.FILES)})\.yaml|medicines/[^/]+\.yaml"
    r"|translations/(?:caregiver|en(?:/[^/]+)?)\.yaml"
)
_CATALOGUE = re.compile(r"translations/[^/]+\.po")
_ELSEWHERE = ("translations/", "adaptations/")
"""Folders whose other files are read by other parts, or in another way."""
_PACKAGED = Path(__file__).parent.parent / "protocols"


def load(
    folder: Path | None = None, protocol_id: str = "sick-young-infant", *, translated: bool = True
) -> Protocol:
    """Read, check and freeze one protocol; `folder` holds protocol folders (None: packaged).

    `translated` False leaves the catalogues out: for the work on them.
    Raises ContentError with every finding as "file:line: what is wrong; what to do".
    """
    contents = _read((folder or _PACKAGED) / protocol_id)
    desk = Desk(Names())
    files = _trees(contents, desk)
    if desk.findings:
        raise ContentError(desk.findings)
    desk = Desk(parse.names(files))
    catalogues = _catalogues(contents, desk) if translated else []
    protocol = parse.protocol(files, desk, digest(contents), catalogues)
    if protocol.id != protocol_id:
        desk.fault("protocol.yaml", 1, f"id is {protocol.id}, but the folder is {protocol_id}")
    check.check(protocol, desk)
    if desk.findings:
        raise ContentError(desk.findings)
    return protocol


def packaged() -> tuple[str, ...]:
    """The ids of the protocols that come with the program."""
    return tuple(sorted(path.parent.name for path in _PACKAGED.glob("*/protocol.yaml")))


def packaged_folder(protocol_id: str) -> Path:
    """The folder of a protocol that comes with the program."""
    return _PACKAGED / protocol_id


def digest(contents: dict[str, bytes]) -> str:
    """SHA-256 (hex) over path, NUL and bytes of every file, in path order."""
    total = hashlib.sha256()
    for path in sorted(contents):
        total.update(path.encode() + b"\0" + contents[path])
    return total.hexdigest()


def _read(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def _trees(contents: dict[str, bytes], desk: Desk) -> dict[str, tree.Node]:
    files: dict[str, tree.Node] = {}
    for name in parse.FILES:
        if f"{name}.yaml" not in contents:
            desk.fault(f"{name}.yaml", 1, "the file is missing; every protocol has it")
    for path, data in contents.items():
        if _READ.fullmatch(path):
            root = tree.read(data, path, desk.fault)
            if root is not None:
                files[path] = root
        elif path.endswith((".yaml", ".yml")) and not path.startswith(_ELSEWHERE):
            desk.fault(path, 1, "no such file belongs to a protocol; rename or move it")
    return files


def _catalogues(contents: dict[str, bytes], desk: Desk) -> list[Catalogue]:
    paths = [path for path in sorted(contents) if _CATALOGUE.fullmatch(path)]
    read = [parse_catalogue.read(path, contents[path], desk) for path in paths]
    return [each for each in read if each is not None]
