"""The content as plain YAML text: mappings, lists and strings, read without the program's reader.

A fault is made in a copy of this tree, so that the right content and the faulty one differ in
nothing else.
"""

import copy
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, NamedTuple

import yaml

from cds_service.content import load as loading
from cds_service.content.desk import Desk, Names
from cds_service.content.tree import Node

BASE = loading.packaged_folder("sick-young-infant")
SPARE = ("source", "evidence", "note")
OPS = ("below", "at-most", "at-least", "above")
GROUPS = ("all", "any", "none", "of")


class Content(NamedTuple):
    """What the tables are made of, file by file."""

    signs: dict[str, Any]
    measures: dict[str, Any]
    derived: dict[str, Any]
    tables: dict[str, Any]
    protocol: dict[str, Any]
    growth: dict[str, Any]

    def copy(self) -> "Content":
        """A copy in which a fault can be made."""
        return copy.deepcopy(self)

    def row(self, code: str) -> tuple[str, dict[str, Any]]:
        """The table and the row that give a class."""
        return next(
            (table, row)
            for table, written in self.tables.items()
            for row in written["rows"]
            if row["class"] == code
        )


def content() -> Content:
    """The packaged content, without any layer over it."""
    names = ("signs", "classifications", "protocol", "growth")
    return _content(
        {name: yaml.load((BASE / f"{name}.yaml").read_bytes(), yaml.CBaseLoader) for name in names}
    )


def layered(edition: str = "", adaptation: str = "") -> Content:
    """The content with an edition, an adaptation or both laid over it, as the program lays them."""
    desk = Desk(Names())
    trees = loading._trees(loading._used(loading._read(BASE), edition, adaptation), desk)
    loading._laid_over(trees, desk)
    assert not desk.findings
    return _content({path.removesuffix(".yaml"): _plain(node) for path, node in trees.items()})


def _plain(node: Node) -> Any:
    if isinstance(node.value, dict):
        return {key: _plain(inner) for key, inner in node.value.items()}
    if isinstance(node.value, tuple):
        return [_plain(inner) for inner in node.value]
    return str(node.value).lower() if isinstance(node.value, bool) else str(node.value)


def _content(files: dict[str, Any]) -> Content:
    signs, growth = files["signs"], files["growth"]["weight-for-age"]
    return Content(
        signs["findings"],
        signs["measures"],
        signs.get("derived", {}),
        files["classifications"],
        files["protocol"],
        {sex: [tuple(day) for day in growth[sex]] for sex in ("male", "female")},
    )


def number(written: Any) -> tuple[Fraction, str]:
    """Value and unit of "1.5 kg", or of a mapping whose `value` is that."""
    text = written["value"] if isinstance(written, dict) else written
    value, unit = text.split()
    return Fraction(value), unit


def group_of(condition: Any) -> str:
    """all, any, none or of; "" for a test."""
    if isinstance(condition, str):
        return ""
    return next((kind for kind in GROUPS if kind in condition), "")


def op_of(test: dict[str, Any]) -> str:
    """How a measure is compared."""
    return next(op for op in OPS if op in test)


def leaves(condition: Any) -> Iterator[Any]:
    """Every test of a condition, in the order in which it is written."""
    kind = group_of(condition)
    if kind:
        for item in condition[kind]:
            yield from leaves(item)
    else:
        yield condition


def said(test: Any) -> str:
    """A test in a few words: "temperature at-least 38.0 Cel", "not apnoea"."""
    if isinstance(test, str):
        return test
    if "measure" in test:
        op = op_of(test)
        return f"{test['measure']} {op} {test[op]}"
    if "finding" in test:
        return f"not {test['finding']}" if test.get("is") == "no" else test["finding"]
    return " ".join(f"{kind} {test[kind]}" for kind in ("now", "earlier", "new") if kind in test)
