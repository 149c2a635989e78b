"""YAML text -> a tree of exact values, each of which knows its file and line.

YAML 1.2 core, narrowed: only `true` and `false` are booleans (`yes` and `no` are answers, so
they stay text), a decimal fraction is an exact Decimal, a date stays text, a key may appear
once in a mapping. Anchors, aliases and merge keys are allowed. What stands under a key has the
line of the key, a merged key the line on which it was written.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache

import yaml

Scalar = str | int | Decimal | bool | None
Report = Callable[[str, int, str], None]
"""Takes file, line and what is wrong."""

_TAG = "tag:yaml.org,2002:"


@dataclass(frozen=True, slots=True)
class Node:
    """A scalar, a list or a mapping of the content, and where it stands."""

    value: "Scalar | tuple[Node, ...] | dict[str, Node]"
    file: str
    line: int

    def items(self) -> "dict[str, Node]":
        """The entries of a mapping; empty for anything else."""
        return self.value if isinstance(self.value, dict) else {}


class _Loader(yaml.CSafeLoader):
    """A safe loader whose plain scalars are only text, whole numbers, fractions and true/false.

    That of libyaml, which reads the content in a third of the time.
    """

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012


def _resolves(tag: str, pattern: str, first: str) -> None:
    _Loader.add_implicit_resolver(_TAG + tag, re.compile(pattern), list(first))


_resolves("bool", r"^(true|false)$", "tf")
_resolves("int", r"^-?(0|[1-9][0-9]*)$", "-0123456789")
_resolves("float", r"^-?(0|[1-9][0-9]*)\.[0-9]+$", "-0123456789")
_resolves("null", r"^(null|~|)$", "n~")
_Loader.add_implicit_resolver(_TAG + "null", re.compile(r"^$"), [""])
_resolves("merge", r"^<<$", "<")

_SCALARS: dict[str, Callable[[str], Scalar]] = {
    "str": str,
    "int": int,
    "float": Decimal,
    "bool": lambda text: text == "true",
    "null": lambda _: None,
}


def read(data: bytes, file: str, report: Report) -> Node | None:
    """Read one YAML file; None when it is no YAML at all. Every fault goes to `report`."""
    try:
        root = _composed(data)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = mark.line + 1 if mark else 1
        what = getattr(error, "problem", None) or getattr(error, "reason", None)
        report(file, line, f"this is not YAML ({what}); mend the line or the one above it")
        return None
    if root is None:
        report(file, 1, "the file is empty; write the content or remove the file")
        return None
    return _Tree(file, report).node(root)


@lru_cache(maxsize=64)
def _composed(data: bytes) -> yaml.Node | None:
    """The raw nodes; composing takes most of a load, so the same bytes are composed once."""
    return yaml.compose(data, Loader=_Loader)


def forget() -> None:
    """Let go what `read` keeps for the next load: a service loads once, and runs for weeks."""
    _composed.cache_clear()


class _Tree:
    """Turns the composed nodes of one file into Nodes, each one once (aliases are shared)."""

    def __init__(self, file: str, report: Report) -> None:
        self._file = file
        self._report = report
        self._done: dict[int, Node | None] = {}

    def node(self, raw: yaml.Node) -> Node:
        if id(raw) not in self._done:
            self._done[id(raw)] = None
            self._done[id(raw)] = self._make(raw)
        known = self._done[id(raw)]
        if known is None:
            self._fault(raw, "an anchor contains itself; write the part out")
            return Node(None, self._file, _line(raw))
        return known

    def _make(self, raw: yaml.Node) -> Node:
        if isinstance(raw, yaml.SequenceNode):
            return Node(tuple(self.node(item) for item in raw.value), self._file, _line(raw))
        if isinstance(raw, yaml.MappingNode):
            return Node(self._mapping(raw), self._file, _line(raw))
        turn = _SCALARS.get(raw.tag.removeprefix(_TAG))
        if turn is None:
            self._fault(raw, f"unknown tag {raw.tag}; write plain text")
            turn = str
        return Node(turn(raw.value), self._file, _line(raw))

    def _mapping(self, raw: yaml.MappingNode) -> dict[str, Node]:
        merged: dict[str, Node] = {}
        own: dict[str, Node] = {}
        for key, value in raw.value:
            if key.tag == _TAG + "merge":
                merged |= self._merged(value)
            elif not isinstance(key.value, str):
                self._fault(key, "a key is one word of text")
            elif key.value in own:
                self._fault(key, f"the key {key.value} appears twice; keep one")
            else:
                own[key.value] = replace(self.node(value), line=_line(key))
        return merged | own

    def _merged(self, raw: yaml.Node) -> dict[str, Node]:
        if not isinstance(raw, yaml.MappingNode):
            self._fault(raw, "<< takes one anchor of a mapping")
            return {}
        return self.node(raw).items()

    def _fault(self, raw: yaml.Node, what: str) -> None:
        self._report(self._file, _line(raw), what)


def _line(raw: yaml.Node) -> int:
    return int(raw.start_mark.line) + 1
