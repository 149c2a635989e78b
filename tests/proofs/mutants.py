"""Every small slip that could be made in the content's files: one mutant each.

Thresholds moved by one step of their last digit, comparators and answers turned, conditions left
out, digits of doses, amounts, strengths, lengths and intervals changed, neighbours swapped.
A mutant is made on the YAML nodes, so that what several places share is changed in all of them.
"""

import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cache
from typing import NamedTuple

import yaml

from cds_service.content.tree import _Loader
from tests.proofs.content import BASE, OPS
from tests.proofs.faults import OTHER_OP

_GROUPS = ("all", "any", "none", "of", "first-known")
_SEQUENCES = ("rows", "rules", "bands", "regimens")
_FLAGS = (
    "severe",
    "required",
    "confirmed",
    "can-wait",
    "unless-severe",
    "lasting",
    "once",
    "press-for-referral",
    "at-least",
    "no-illness",
    "not-judged",
    "if-not-better",
)
_SILENT = ("source", "evidence", "note", "snomed", "loinc", "atc", "year", "url", "version")
"""Keys whose values decide nothing; codes of published systems have check digits or tests."""
_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?) (\S+)")


class _Dumper(yaml.SafeDumper):
    """Writes plain what the content's reader reads as the same."""

    yaml_implicit_resolvers = _Loader.yaml_implicit_resolvers


class Mutant(NamedTuple):
    """One changed file."""

    file: str
    index: int
    """Its place among the mutants of the file."""
    line: int
    place: str
    what: str

    @property
    def name(self) -> str:
        """Where and what, without the line, so that it stays the same when lines move."""
        return f"{self.file}: {self.place}: {self.what}"

    @property
    def text(self) -> bytes:
        """The whole file, changed."""
        root, changes = _changes(self.file)
        change = changes[self.index]
        change.do()
        text = _written(root)
        change.undo()
        return text


class _Change(NamedTuple):
    """A change of a node in place, and how it is taken back."""

    line: int
    place: str
    what: str
    do: Callable[[], None]
    undo: Callable[[], None]


def files() -> list[str]:
    """The files that hold rules and numbers (growth.yaml is compared number by number)."""
    named = ["signs", "classifications", "treatments", "protocol", "fluids"]
    found = [BASE / f"{name}.yaml" for name in named]
    found += sorted((BASE / "medicines").glob("*.yaml"))
    return [path.relative_to(BASE).as_posix() for path in found if path.exists()]


def mutants(file: str) -> list[Mutant]:
    """Every mutant of one file."""
    _, changes = _changes(file)
    return [
        Mutant(file, index, change.line, change.place, change.what)
        for index, change in enumerate(changes)
    ]


def unchanged(file: str) -> bytes:
    """The file as it is written when nothing is changed."""
    return _written(_changes(file)[0])


@cache
def _changes(file: str) -> tuple[yaml.Node, list[_Change]]:
    root = yaml.compose((BASE / file).read_bytes(), Loader=_Loader)
    return root, list(_Walk(root).changes())


def _written(root: yaml.Node) -> bytes:
    return bytes(yaml.serialize(root, Dumper=_Dumper, width=1000).encode())


class _Walk:
    """Goes through one file; a node that several places share is met once."""

    def __init__(self, root: yaml.Node) -> None:
        self._root = root
        self._seen: set[int] = set()

    def changes(self) -> Iterator[_Change]:
        yield from self._node(self._root, "", "")

    def _node(self, node: yaml.Node, place: str, key: str) -> Iterator[_Change]:
        if id(node) in self._seen:
            return
        self._seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            yield from self._mapping(node, place)
        elif isinstance(node, yaml.SequenceNode):
            yield from self._sequence(node, place, key)
        elif isinstance(node, yaml.ScalarNode):
            yield from _number(node, place, key)

    def _mapping(self, node: yaml.MappingNode, place: str) -> Iterator[_Change]:
        keys = {key.value: (key, value) for key, value in node.value}
        if "measure" in keys:
            yield from _comparator(node, place, keys)
        if "finding" in keys:
            yield from _negated_mapping(node, place, keys)
        if "if-unknown" in keys:
            yield _other_value(keys["if-unknown"][1], place, "if-unknown")
        for name, (key, value) in keys.items():
            if name in _SILENT:
                continue
            inner = f"{place}/{name}" if place else name
            if name in _FLAGS and value.value in ("true", "always"):
                yield _without_entry(node, key, value, inner)
            if name == "implies":
                for one, answer in value.value:
                    yield _other_value(answer, f"{inner}/{one.value}", one.value)
            if name in ("when", "unless") and isinstance(value, yaml.ScalarNode):
                yield _negated_scalar(value, inner)
            yield from self._node(value, inner, name)

    def _sequence(self, node: yaml.SequenceNode, place: str, key: str) -> Iterator[_Change]:
        items = node.value
        names = [_name(item, index) for index, item in enumerate(items)]
        if key in _GROUPS:
            for index, item in enumerate(items):
                if len(items) > 1:
                    yield _without_item(node, index, f"{place}/{names[index]}")
                if isinstance(item, yaml.ScalarNode):
                    yield _negated_scalar(item, f"{place}/{names[index]}", node, index)
        if key in _SEQUENCES:
            for index in range(len(items) - 1):
                yield _swapped(node, index, f"{place}/{names[index]}", names[index + 1])
        for name, item in zip(names, items, strict=True):
            yield from self._node(item, f"{place}/{name}", key)


def _name(item: yaml.Node, index: int) -> str:
    """A list's item by its code, its class or what it tests, else by its place."""
    if isinstance(item, yaml.ScalarNode):
        return str(index) if _NUMBER.fullmatch(item.value) else str(item.value)
    if not isinstance(item, yaml.MappingNode):
        return str(index)
    keys = {key.value: value.value for key, value in item.value if isinstance(value.value, str)}
    for key in ("code", "class", "finding"):
        if key in keys:
            return str(keys[key])
    for key in ("now", "earlier", "new"):
        if key in keys:
            return f"{key} {keys[key]}"
    if "measure" in keys:
        op = next((op for op in OPS if op in keys), "")
        since = f" since {keys['since']}" if "since" in keys else ""
        return f"{keys['measure']}{since} {op} {keys.get(op, '')}"
    return str(index)


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _set(node: yaml.ScalarNode, value: str) -> Callable[[], None]:
    return lambda: setattr(node, "value", value)


def _number(node: yaml.ScalarNode, place: str, key: str) -> Iterator[_Change]:
    match = _NUMBER.fullmatch(node.value)
    if match is None:
        return
    old, (value, unit) = node.value, match.groups()
    values = _steps(value) if key in OPS else _other_digits(value)
    for other in dict.fromkeys(values):
        new = f"{other} {unit}"
        yield _Change(_line(node), place, f"{old} -> {new}", _set(node, new), _set(node, old))


def _steps(value: str) -> Iterator[str]:
    exact = Decimal(value)
    step = Decimal(1).scaleb(int(exact.as_tuple().exponent))
    yield from (str(exact - step), str(exact + step))


def _other_digits(value: str) -> Iterator[str]:
    """Each digit one higher, a nine an eight."""
    for index, digit in enumerate(value):
        if digit.isdigit():
            other = "8" if digit == "9" else str(int(digit) + 1)
            yield value[:index] + other + value[index + 1 :]


def _comparator(
    node: yaml.MappingNode, place: str, keys: dict[str, tuple[yaml.Node, yaml.Node]]
) -> Iterator[_Change]:
    for op in OPS:
        if op in keys:
            key, other = keys[op][0], OTHER_OP[op]
            what = f"{op} -> {other}"
            yield _Change(_line(key), place, what, _set(key, other), _set(key, op))


def _negated_mapping(
    node: yaml.MappingNode, place: str, keys: dict[str, tuple[yaml.Node, yaml.Node]]
) -> Iterator[_Change]:
    code = keys["finding"][1].value
    if "is" in keys:
        yield _other_value(keys["is"][1], place, code)
        return
    old = list(node.value)
    added = [*old, (_text("is"), _text("no"))]
    what = f"{code} -> not {code}"
    yield _Change(_line(node), place, what, _entries(node, added), _entries(node, old))


def _negated_scalar(
    node: yaml.ScalarNode, place: str, parent: yaml.SequenceNode | None = None, index: int = 0
) -> _Change:
    code = node.value
    test = yaml.MappingNode(
        "tag:yaml.org,2002:map",
        [(_text("finding"), _text(code)), (_text("is"), _text("no"))],
        flow_style=True,
    )
    what = f"{code} -> not {code}"
    if parent is None:  # a bare test under a key becomes a group of one, in place
        old = dict(vars(node))
        return _Change(_line(node), place, what, _become(node, test), _become_again(node, old))
    before = list(parent.value)
    after = [*before[:index], test, *before[index + 1 :]]
    return _Change(_line(node), place, what, _entries(parent, after), _entries(parent, before))


def _become(node: yaml.Node, other: yaml.Node) -> Callable[[], None]:
    def do() -> None:
        node.__class__ = other.__class__
        vars(node).update(vars(other))

    return do


def _become_again(node: yaml.Node, old: dict[str, object]) -> Callable[[], None]:
    def undo() -> None:
        node.__class__ = yaml.ScalarNode
        vars(node).update(old)

    return undo


def _text(value: str) -> yaml.ScalarNode:
    return yaml.ScalarNode("tag:yaml.org,2002:str", value)


def _entries(node: yaml.CollectionNode, value: list[object]) -> Callable[[], None]:
    return lambda: setattr(node, "value", value)


def _other_value(node: yaml.ScalarNode, place: str, name: str) -> _Change:
    old, new = node.value, {"yes": "no", "no": "yes"}[node.value]
    what = f"{name} {old} -> {new}"
    return _Change(_line(node), place, what, _set(node, new), _set(node, old))


def _without_entry(node: yaml.MappingNode, key: yaml.Node, value: yaml.Node, place: str) -> _Change:
    old = list(node.value)
    kept = [entry for entry in old if entry[0] is not key]
    what = f"without {key.value}: {value.value}"
    return _Change(_line(key), place, what, _entries(node, kept), _entries(node, old))


def _without_item(node: yaml.SequenceNode, index: int, place: str) -> _Change:
    old = list(node.value)
    kept = [*old[:index], *old[index + 1 :]]
    return _Change(_line(old[index]), place, "left out", _entries(node, kept), _entries(node, old))


def _swapped(node: yaml.SequenceNode, index: int, place: str, other: str) -> _Change:
    old = list(node.value)
    new = [*old[:index], old[index + 1], old[index], *old[index + 2 :]]
    what = f"after {other}"
    return _Change(_line(old[index]), place, what, _entries(node, new), _entries(node, old))
