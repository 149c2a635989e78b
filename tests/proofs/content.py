"""The content as plain YAML text: mappings, lists and strings, read without the program's reader.

A fault is made in a copy of this tree, so that the right content and the faulty one differ in
nothing else.
"""

import copy
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from cds_service.content.load import load

PROTOCOLS = Path(load.__code__.co_filename).parent.parent / "protocols"
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


def content(protocol: str = "sick-young-infant") -> Content:
    """The packaged content of one protocol."""
    files = {
        name: yaml.load((PROTOCOLS / protocol / f"{name}.yaml").read_bytes(), yaml.BaseLoader)
        for name in ("signs", "classifications", "protocol", "growth")
    }
    signs = files["signs"]
    return Content(
        signs["findings"],
        signs["measures"],
        signs.get("derived", {}),
        files["classifications"],
        files["protocol"],
        {
            sex: [tuple(day) for day in days]
            for sex, days in files["growth"]["weight-for-age"].items()
        },
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
