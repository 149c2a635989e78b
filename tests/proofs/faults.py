"""Faults in one table: what a slip of the pen, or of the mind, would write instead."""

import copy
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NamedTuple

from tests.proofs.content import Content, group_of, op_of, said

OTHER_OP = {"below": "at-most", "at-most": "below", "at-least": "above", "above": "at-least"}
REVERSED = {"below": "at-least", "at-most": "above", "at-least": "below", "above": "at-most"}
Table = dict[str, Any]


class Fault(NamedTuple):
    """A table written wrongly, and what was done to it."""

    table: str
    name: str
    written: Table


def faults(content: Content) -> Iterator[Fault]:
    """One fault at a time, in every table, each with a name of its own."""
    seen: dict[str, int] = {}
    for fault in _faults(content):
        count = seen[fault.name] = seen.get(fault.name, 0) + 1
        yield fault if count == 1 else fault._replace(name=f"{fault.name} ({count})")


def _faults(content: Content) -> Iterator[Fault]:
    for code, table in content.tables.items():
        for place, row in enumerate(table["rows"]):
            if "when" in row:
                for name, when in _conditions(row["when"]):
                    yield _with(code, table, place, f"{row['class']}: {name}", when)
        for place in range(len(table["rows"]) - 1):
            if "when" in table["rows"][place + 1]:
                yield _swapped(code, table, place)
        if "when" in table:
            for name, when in _conditions(table["when"]):
                yield Fault(code, f"{code} asked when: {name}", {**table, "when": when})


def _with(code: str, table: Table, place: int, name: str, when: Any) -> Fault:
    written = copy.deepcopy(table)
    written["rows"][place]["when"] = when
    return Fault(code, name, written)


def _swapped(code: str, table: Table, place: int) -> Fault:
    written = copy.deepcopy(table)
    one, two = written["rows"][place : place + 2]
    written["rows"][place : place + 2] = [two, one]
    return Fault(code, f"{two['class']} before {one['class']}", written)


def _conditions(condition: Any) -> Iterator[tuple[str, Any]]:
    kind = group_of(condition)
    if not kind:
        yield from _tests(condition)
        return
    items = condition[kind]
    for place, item in enumerate(items):
        for name, changed in _conditions(item):
            yield name, {**condition, kind: [*items[:place], changed, *items[place + 1 :]]}
        if len(items) > 1:
            dropped = [*items[:place], *items[place + 1 :]]
            yield f"without {_short(item)}", {**condition, kind: dropped}
    if kind in ("any", "all") and len(items) > 1:
        other = {"any": "all", "all": "any"}[kind]
        rest = {key: value for key, value in condition.items() if key != kind}
        yield f"{other} for {kind}", {**rest, other: items}
    if kind == "of":
        for way in (-1, 1):
            count = int(condition["at-least"]) + way
            if 0 < count <= len(items):
                yield f"at-least {count}", {**condition, "at-least": str(count)}


def _tests(test: Any) -> Iterator[tuple[str, Any]]:
    yield f"negated {said(test)}", {"none": [test]}
    if isinstance(test, dict) and "measure" in test:
        op = op_of(test)
        rest = {key: value for key, value in test.items() if key != op}
        for other in (OTHER_OP[op], REVERSED[op]):
            yield f"{other} for {said(test)}", {**rest, other: test[op]}
        for limit in shifted(test[op]):
            yield f"{limit} for {said(test)}", {**rest, op: limit}
        if "confirmed" in test:
            yield f"unconfirmed {said(test)}", {k: v for k, v in test.items() if k != "confirmed"}
        if "if-unknown" in test:
            other = {"yes": "no", "no": "yes"}[test["if-unknown"]]
            yield f"{other} if unknown, {said(test)}", {**test, "if-unknown": other}


def shifted(written: str) -> Iterator[str]:
    """One step of the last digit down, and up: 37.9 Cel and 38.1 Cel of 38.0 Cel."""
    value, unit = written.split()
    exact = Decimal(value)
    step = Decimal(1).scaleb(int(exact.as_tuple().exponent))
    for way in (-step, step):
        yield f"{exact + way} {unit}"


def _short(item: Any) -> str:
    kind = group_of(item)
    return said(item) if not kind else f"{kind} of {len(item[kind])}"
