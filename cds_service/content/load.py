"""Reads a protocol's folder from disk: the only file access of the content.

The digest is SHA-256 over every file that was used, in path order: relative path (with "/"), a
NUL byte, the exact bytes. Editions and adaptations that were not asked for are not used.
"""

import hashlib
import re
from dataclasses import replace
from pathlib import Path

from cds_service.content import check, parse, parse_catalogue, tree
from cds_service.content import layers as layering
from cds_service.content.catalogue import ENGLISH, Catalogue
from cds_service.content.desk import Desk, Names
from cds_service.content.hazards import FOLDER as HAZARDS
from cds_service.content.known import FOLDER as KNOWN
from cds_service.content.model import Layer
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

LAYERS = {"edition": "editions/", "adaptation": "adaptations/"}
"""Folders of the layers over the base: `editions/<id>/edition.yaml` and so on."""
_READ = re.compile(
    rf"(?:{'|'.join(parse.FILES)})\.yaml|medicines/[^/]+\.yaml"
    r"|translations/(?:caregiver|en(?:/[^/]+)?)\.yaml"
    r"|editions/[^/]+/edition\.yaml|adaptations/[^/]+/adaptation\.yaml"
)
_CATALOGUE = re.compile(r"(?:(?:editions|adaptations)/[^/]+/)?translations/[^/]+\.po")
_ELSEWHERE = "translations/"
"""The folder whose other files are read in another way."""
_UNUSED = (*LAYERS.values(), HAZARDS, KNOWN)
"""Folders that decide nothing unless they are asked for."""
_PACKAGED = Path(__file__).parent.parent / "protocols"


def load(
    folder: Path | None = None,
    protocol_id: str = "sick-young-infant",
    *,
    edition: str = "",
    adaptation: str = "",
    translated: bool = True,
) -> Protocol:
    """Read, check and freeze one protocol; `folder` holds protocol folders (None: packaged).

    `edition` is the version of an edition ("": that of the base), `adaptation` the id of a national
    adaptation that lies over it ("": none). `translated` False leaves the catalogues out, for work
    on them.
    Raises ContentError with every finding as "file:line: what is wrong; what to do".
    """
    contents = _read((folder or _PACKAGED) / protocol_id)
    contents = _used(contents, "" if edition == _version(contents) else edition, adaptation)
    desk = Desk(Names())
    files = _trees(contents, desk)
    if desk.findings:
        raise ContentError(desk.findings)
    over = _laid_over(files, desk)
    desk = Desk(parse.names(files), desk.findings_so_far)
    catalogues = _catalogues(contents, over, desk) if translated else []
    protocol = parse.protocol(files, desk, digest(contents), catalogues, over)
    if protocol.id != protocol_id:
        desk.fault("protocol.yaml", 1, f"id is {protocol.id}, but the folder is {protocol_id}")
    check.check(protocol, desk)
    if desk.findings:
        raise ContentError(desk.findings)
    return protocol


def layers(protocol_id: str, kind: str, folder: Path | None = None) -> tuple[str, ...]:
    """The ids of the editions, or adaptations, of a protocol (`kind` as in LAYERS)."""
    found = ((folder or _PACKAGED) / protocol_id).glob(f"{LAYERS[kind]}*/{kind}.yaml")
    return tuple(sorted(path.parent.name for path in found))


def editions(protocol_id: str, folder: Path | None = None) -> tuple[str, ...]:
    """The versions of every edition of a protocol, that of the base first."""
    path = (folder or _PACKAGED) / protocol_id / "protocol.yaml"
    base = _version({path.name: path.read_bytes()})
    return (base, *layers(protocol_id, "edition", folder))


def edition_of(protocol_id: str, adaptation: str, folder: Path | None = None) -> str:
    """The edition that an adaptation is for, as `load` takes it ("" for that of the base)."""
    path = f"{LAYERS['adaptation']}{adaptation}/adaptation.yaml"
    root = tree.read(((folder or _PACKAGED) / protocol_id / path).read_bytes(), path, _ignore)
    named = "" if root is None else str(_said(root, "edition"))
    return named if named in layers(protocol_id, "edition", folder) else ""


def every_layer(protocol_id: str, folder: Path | None = None) -> list[tuple[str, str]]:
    """Edition and adaptation: the base, each edition, each adaptation on its own edition."""
    editions = [(edition, "") for edition in layers(protocol_id, "edition", folder)]
    adapted = [
        (edition_of(protocol_id, adaptation, folder), adaptation)
        for adaptation in layers(protocol_id, "adaptation", folder)
    ]
    return [("", ""), *editions, *adapted]


def _ignore(_file: str, _line: int, _what: str) -> None:
    """A fault of the file is found when it is loaded."""


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


def _version(contents: dict[str, bytes]) -> str:
    """The version of the base's edition; "" when its file cannot be read (found on loading)."""
    root = tree.read(contents.get("protocol.yaml", b""), "protocol.yaml", _ignore)
    return "" if root is None else str(_said(root, "version"))


def _used(contents: dict[str, bytes], edition: str, adaptation: str) -> dict[str, bytes]:
    """The files of the base and of the layers that were asked for. Raises ContentError."""
    used = {path: data for path, data in contents.items() if not path.startswith(_UNUSED)}
    for kind, name in (("edition", edition), ("adaptation", adaptation)):
        path = f"{LAYERS[kind]}{name}/{kind}.yaml"
        if name and path not in contents:
            there = ", ".join(_named(contents, kind)) or "none"
            raise ContentError((f"{path}:1: there is no such {kind}; there is: {there}",))
        if name:
            own = f"{LAYERS[kind]}{name}/"
            used |= {each: contents[each] for each in contents if each.startswith(own)}
    return used


def _named(contents: dict[str, bytes], kind: str) -> list[str]:
    """The ids of the layers of that kind."""
    inside, file = LAYERS[kind], f"/{kind}.yaml"
    named = (path.removeprefix(inside) for path in contents if path.startswith(inside))
    return sorted(path.removesuffix(file) for path in named if path.endswith(file))


def _laid_over(files: dict[str, tree.Node], desk: Desk) -> dict[str, Layer]:
    """Lay the edition over the base, then the adaptation over both; the layers by kind."""
    over: dict[str, Layer] = {}
    for kind, folder in LAYERS.items():
        for path in [path for path in files if path.startswith(folder)]:
            root = files.pop(path)
            name, version = path.split("/")[1], files["protocol.yaml"].items()["version"]
            if _said(root, "id") != name:
                desk.fault(path, 1, f"the id is {_said(root, 'id')}, but the folder is {name}")
            elif kind == "adaptation" and _said(root, "edition") != version.value:
                own = _said(root, "edition")
                desk.fault(path, 1, f"it adapts edition {own}; this is edition {version.value}")
            else:
                over[kind] = layering.apply(files, root, _knowing_sources(files, root, desk))
                if kind == "edition":
                    head = files["protocol.yaml"]
                    now = {"version": replace(version, value=name)}
                    files["protocol.yaml"] = replace(head, value=head.items() | now)
    return over


def _said(root: tree.Node, key: str) -> object:
    node = root.items().get(key)
    return None if node is None else node.value


def _knowing_sources(files: dict[str, tree.Node], root: tree.Node, desk: Desk) -> Desk:
    """A desk that knows the sources of the base and those that the layer brings."""
    own = root.items().get("sources")
    named = {*files["sources.yaml"].items(), *(own.items() if own is not None else ())}
    return Desk(Names(sources=frozenset(named)), desk.findings_so_far)


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


def _catalogues(contents: dict[str, bytes], over: dict[str, Layer], desk: Desk) -> list[Catalogue]:
    """Those of the base, then those of the edition, then those of the adaptation."""
    order = ("translations/", *LAYERS.values())
    paths = [
        path
        for folder in order
        for path in sorted(contents)
        if path.startswith(folder) and _CATALOGUE.fullmatch(path)
    ]
    read = [parse_catalogue.read(path, contents[path], desk) for path in paths]
    found = [each for each in read if each is not None]
    for layer in over.values():
        for tag in set(layer.languages) - {ENGLISH, *(each.language for each in found)}:
            path = f"{LAYERS['adaptation']}{layer.id}/adaptation.yaml"
            desk.fault(path, 1, f"there are no texts in {tag}; add translations/{tag}.po")
    return found
