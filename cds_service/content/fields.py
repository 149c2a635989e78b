"""One mapping of the content, read key by key: every fault becomes a finding.

A reader that meets a fault reports it and goes on with a stand-in of the right type, so that
one run finds everything. Stand-ins never leave: `load` raises when there is any finding.
"""

import re
from collections.abc import Callable, Iterable
from decimal import Decimal

from cds_service.content.desk import Desk
from cds_service.content.model import EVIDENCE, Cite, Number
from cds_service.content.tree import Node
from cds_service.quantity import convertible

_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?) (\S+)", re.ASCII)
_OWN_UNITS = frozenset(
    {"/d", "{z}", "{dose}", "{vial}", "{bottle}", "g/mol"}
    | {"mg/kg", "g/kg", "mL/kg", "mL/kg/h", "[iU]/kg"}
)
"""Units of the content beside the amounts of quantity.py: rates, scores, packs, molar mass."""
_CITE = ("source", "evidence", "note")
_STAND_IN = Cite((), "practice")


class Fields:
    """A mapping with its known keys; `cite` is its own or the nearest one above."""

    def __init__(self, node: Node, desk: Desk, keys: str, above: Cite | None = None) -> None:
        self.node = node
        self.desk = desk
        self._items = node.items()
        if not isinstance(node.value, dict):
            self._fault(f"a mapping is due here, with the keys {keys}")
            self.desk = Desk(desk.names)  # One finding is enough: nothing beneath is reported.
        known = (*keys.split(), *_CITE)
        for key in self._items.keys() - set(known):
            self.desk.report(self._items[key], f"unknown key {key}; known: {' '.join(known)}")
        self._cite = self._own_cite(above)

    @property
    def cite(self) -> Cite:
        """Where this part comes from; a finding when neither it nor anything above says."""
        if self._cite is None:
            self._fault("no evidence, here or above; write evidence: " + "|".join(EVIDENCE))
            self._cite = _STAND_IN
        return self._cite

    def has(self, key: str) -> bool:
        """Whether the key is written."""
        return key in self._items

    def at(self, key: str) -> Node:
        """The node of a key; a finding and an empty node when it is missing."""
        if not self._written(key):
            self.fault(key, f"{key} is missing; add it")
        return self._items.get(key, Node(None, self.node.file, self.node.line))

    def text(self, key: str, default: str | None = None) -> str:
        """Text; required unless there is a default."""
        if default is not None and key not in self._items:
            return default
        value = self.at(key).value
        if isinstance(value, str) and value:
            return value
        if self._written(key):
            self.fault(key, f"{key} needs text; put it in quotes")
        return ""

    def choice(self, key: str, choices: Iterable[str], default: str | None = None) -> str:
        """One of a few words."""
        word = self.text(key, default)
        if word and word not in choices:
            self.fault(key, f"{key} is {word}; write one of: {' '.join(sorted(choices))}")
        return word

    def flag(self, key: str) -> bool:
        """true or false; false when it is not written."""
        if key not in self._items:
            return False
        value = self._items[key].value
        if not isinstance(value, bool):
            self.fault(key, f"{key} is true or false")
        return value is True

    def whole(self, key: str) -> int:
        """A whole number without unit, such as a year, that is known to be written."""
        value = self.at(key).value
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        self.fault(key, f"{key} is a whole number without unit")
        return 0

    def words(self, key: str) -> tuple[str, ...]:
        """A list of words, each once; empty when it is not written."""
        if key not in self._items:
            return ()
        nodes = self._list(self.at(key))
        found = tuple(node.value for node in nodes if isinstance(node.value, str))
        if len(found) < len(nodes):
            self.fault(key, f"{key} is a list of words; put codes in quotes")
        if len(set(found)) < len(found):
            self.fault(key, f"{key} names something twice; keep one")
        return found

    def codes(self, key: str, well_formed: Callable[[str], bool], system: str) -> tuple[str, ...]:
        """A list of codes of a published system; one with a slip in it is a finding."""
        found = self.words(key)
        for code in found:
            if not well_formed(code):
                self.fault(key, f"{code} is no {system} code; look for a slip of the pen")
        return found

    def code(self, key: str, well_formed: Callable[[str], bool], system: str) -> str:
        """One code of a published system."""
        code = self.text(key)
        if code and not well_formed(code):
            self.fault(key, f"{code} is no {system} code; look for a slip of the pen")
        return code

    def names(self, key: str, known: Iterable[str], kind: str) -> tuple[str, ...]:
        """A list of words that must be names of that kind."""
        found = self.words(key)
        for word in found:
            if word not in known:
                self.fault(key, f"unknown {kind} {word}; correct it or declare it")
        return found

    def name(self, key: str, known: Iterable[str], kind: str) -> str:
        """One name of that kind."""
        word = self.text(key)
        if word and word not in known:
            self.fault(key, f"unknown {kind} {word}; correct it or declare it")
        return word

    def number(self, key: str, *units: str) -> Number:
        """A number with one of those units (none given: any known unit)."""
        return number(self.at(key), self.desk, self._cite, units)

    def above_zero(self, key: str, *units: str) -> Number:
        """The same, and nothing or less is a finding."""
        found = self.number(key, *units)
        if found.value <= 0:
            self.fault(key, f"{key} must be above zero")
        return found

    def maybe_number(self, key: str, *units: str) -> Number | None:
        """The same, or None when the key is not written."""
        return self.number(key, *units) if key in self._items else None

    def each_number(self, key: str) -> tuple[Number, ...]:
        """The numbers of the list under a key; empty when it is not written."""
        nodes = self._list(self.at(key)) if key in self._items else ()
        return tuple(number(node, self.desk, self._cite, ()) for node in nodes)

    def numbers(self, key: str) -> tuple[tuple[str, Number], ...]:
        """The named numbers of the mapping under a key; empty when it is not written."""
        if key not in self._items:
            return ()
        names = [name for name in self.at(key).items() if name not in _CITE]
        inner = self.inner(key, " ".join(names))
        return tuple((name, inner.number(name)) for name in names)

    def pair(self, key: str, *units: str) -> tuple[Number, Number]:
        """Two numbers [low, high], low first; or {value: [low, high], source, evidence}."""
        node, cite = self.at(key), self._cite
        if isinstance(node.value, dict):
            inner = Fields(node, self.desk, "value", cite)
            node, cite = inner.at("value"), inner.cite
        nodes = self._list(node)
        if len(nodes) != 2:
            self.fault(key, f"{key} needs two numbers: [low, high]")
            return (_no_number(), _no_number())
        low, high = (number(one, self.desk, cite, units) for one in nodes)
        if low.unit == high.unit and low.value > high.value:
            self.fault(key, f"{key} runs from high to low; write the lower number first")
        return low, high

    def inner(self, key: str, keys: str) -> "Fields":
        """The mapping under a key."""
        node = self.at(key)
        desk = self.desk if self._written(key) else Desk(self.desk.names)
        return Fields(node, desk, keys, self._cite)

    def each(self, key: str, keys: str) -> "list[Fields]":
        """The mappings of the list under a key; empty when it is not written."""
        if key not in self._items:
            return []
        nodes = self._list(self.at(key))
        return [Fields(node, self.desk, keys, self._cite) for node in nodes]

    def entries(self, key: str, keys: str) -> "list[tuple[str, Fields]]":
        """The named mappings under a key."""
        node = self.at(key)
        if not isinstance(node.value, dict) and self._written(key):
            self.fault(key, f"{key} needs one mapping for each name")
        return [
            (name, Fields(inner, self.desk, keys, self._cite))
            for name, inner in node.items().items()
        ]

    def fault(self, key: str, what: str) -> None:
        """Report something wrong with the value of a key."""
        self.desk.report(self._items.get(key, self.node), what)

    def _fault(self, what: str) -> None:
        self.desk.report(self.node, what)

    def _written(self, key: str) -> bool:
        return key in self._items and self._items[key].value is not None

    def _list(self, node: Node) -> tuple[Node, ...]:
        if isinstance(node.value, tuple):
            for item in node.value:
                if item.value is None:
                    self.desk.report(item, "an empty item; write it or remove it")
            return node.value
        if node.value is not None:
            self.desk.report(node, "a list is due here: [one, two]")
        return ()

    def _own_cite(self, above: Cite | None) -> Cite | None:
        if not any(self.has(key) for key in _CITE):
            return above
        evidence = self.choice("evidence", EVIDENCE, above.evidence if above else None)
        # "practice" and "derived" say that there is no source to inherit.
        inherits = above is not None and not self.has("source")
        inherits = inherits and (not self.has("evidence") or evidence in ("seen", "memory"))
        known = self.desk.names.sources
        sources = above.sources if above and inherits else self.names("source", known, "source")
        if evidence in ("seen", "memory") and not sources:
            self._fault(f"evidence {evidence} needs a source; name it, or write practice")
        return Cite(sources, evidence, self.text("note", above.note if above and inherits else ""))


def number(node: Node, desk: Desk, above: Cite | None, units: tuple[str, ...]) -> Number:
    """A number with unit and source: "1.5 kg", or {value: 1.5 kg, source, evidence}."""
    if isinstance(node.value, dict):
        inner = Fields(node, desk, "value", above)
        return number(inner.at("value"), desk, inner.cite, units)
    if node.value is None:
        return _no_number()
    match = _NUMBER.fullmatch(node.value) if isinstance(node.value, str) else None
    if match is None:
        desk.report(node, f"{node.value} is no number with a unit; write for example 1.5 kg")
        return _no_number()
    value, unit = Decimal(match[1]), match[2]
    if not _is_unit(unit):
        desk.report(node, f"unknown unit {unit}; use a UCUM unit that the service knows")
    elif units and unit not in units:
        desk.report(node, f"the unit is {unit}; it must be {' or '.join(units)} here")
    if value < 0 and unit != "{z}":
        desk.report(node, f"{value} {unit} is below zero; only a z-score may be")
    if unit in ("d", "/d", "{dose}") and value != int(value):
        desk.report(node, f"{value} {unit}: days, doses and times a day are whole numbers")
    if above is None:
        desk.report(node, "a number without evidence; write source and evidence beside it")
    return Number(value, unit, above or _STAND_IN)


def _no_number() -> Number:
    return Number(Decimal(1), "", _STAND_IN)


def _is_unit(unit: str) -> bool:
    return unit in _OWN_UNITS or convertible(unit, unit)
