"""The hazards of a protocol: what can go wrong, what prevents or shows it, which tests prove that.

They decide nothing, so they are no part of the content's digest.
"""

from dataclasses import dataclass
from pathlib import Path

from cds_service.content import tree
from cds_service.content.desk import Desk, Names
from cds_service.content.fields import Fields
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

FOLDER = "hazards/"
"""Each file in it holds the hazards of one topic."""
SEVERITIES = ("death", "serious", "minor")
"""The worst that may come to the infant."""


@dataclass(frozen=True, slots=True)
class Control:
    """What in the product prevents a hazard or shows it; `tests` are pytest node ids."""

    what: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Hazard:
    """What can go wrong, and what is left of it when the controls work (`residual`)."""

    id: str
    what: str
    harm: str
    severity: str
    causes: tuple[str, ...]
    controls: tuple[Control, ...]
    residual: str


def hazards(folder: Path, protocol: Protocol) -> tuple[Hazard, ...]:
    """Those of the protocol in `folder`; raises ContentError with every finding."""
    desk = Desk(Names())
    found: list[Hazard] = []
    for path in sorted((folder / FOLDER).glob("*.yaml")):
        root = tree.read(path.read_bytes(), FOLDER + path.name, desk.fault)
        if root is not None:
            top = Fields(root, desk, "hazards")
            keys = "hazard harm severity causes controls residual"
            for name, fields in top.entries("hazards", keys):
                if name in {each.id for each in found}:
                    desk.report(fields.node, f"the hazard {name} is there already; rename one")
                found.append(_hazard(name, fields, protocol))
    if desk.findings:
        raise ContentError(desk.findings)
    return tuple(found)


def _hazard(name: str, fields: Fields, protocol: Protocol) -> Hazard:
    controls = fields.each("controls", "control texts signs tests")
    if not controls:
        fields.fault("controls", f"the hazard {name} has no control; add one")
    return Hazard(
        id=name,
        what=fields.text("hazard"),
        harm=fields.text("harm"),
        severity=fields.choice("severity", SEVERITIES),
        causes=fields.words("causes"),
        controls=tuple(_control(name, each, protocol) for each in controls),
        residual=fields.text("residual"),
    )


def _control(name: str, fields: Fields, protocol: Protocol) -> Control:
    fields.names("texts", dict(protocol.texts), "text")
    fields.names("signs", protocol.sign_by_code, "sign")
    tests = fields.words("tests")
    if not tests:
        fields.fault("tests", f"a control of {name} has no test; name one")
    return Control(fields.text("control"), tests)
