"""Layers over the base content: an edition, and over it a national adaptation.

A layer changes the trees of the base files before they are read, so that everything that is
checked of the base is checked of the result. Each change names one place, what is there instead,
why, and by which source:

    - file: medicines/gentamicin.yaml
      at: rules/under-7-days/per-kg/dose      keys, and items of a list by their code, class,
      set: 4 mg/kg                            measure, finding or first word; "measure:at-least"
      reason: ...                             names the test with that limit
      source: [KEX]
      evidence: practice

`set` replaces what is there, `add` puts an item at the end of a list (which it begins where there
is none) or keys into a mapping, `remove: true` takes an item or key away. A changed number
carries the source of the change. No change may touch a place that another one has set or removed:
then their order would matter; further items for one list are further changes with `add`. Beside
the layer's file, translations/<language>.po may hold translations of the texts that it changes.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

from cds_service.content.desk import Desk
from cds_service.content.fields import Fields
from cds_service.content.model import EVIDENCE, Change, Layer
from cds_service.content.tree import Node

_NAMED_BY = ("code", "class", "measure", "finding", "now", "earlier", "new")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)? \S+", re.ASCII)
_HEAD = "id title edition status languages sources texts changes"
_CHANGE = "file at set add remove reason"
_CITE = ("source", "evidence", "note")


class _Wrong(Exception):
    """A place that is not there, or a value that does not fit it."""


def apply(files: dict[str, Node], root: Node, desk: Desk) -> Layer:
    """Lay one layer over the files, in place; every fault becomes a finding."""
    fields = Fields(root, desk, _HEAD)
    _join(files, "sources.yaml", root.items().get("sources"), desk)
    _join(files, "translations/en.yaml", root.items().get("texts"), desk)
    done: list[tuple[str, str, bool]] = []
    changes = tuple(_change(part, files, done) for part in fields.each("changes", _CHANGE))
    return Layer(
        id=fields.text("id"),
        title=fields.text("title"),
        edition=fields.text("edition", ""),
        changes=changes,
        languages=fields.words("languages"),
    )


def _join(files: dict[str, Node], path: str, added: Node | None, desk: Desk) -> None:
    """Further entries for a file of named entries; one that is there already is a finding."""
    if added is None:
        return
    for name in added.items().keys() & files[path].items().keys():
        desk.report(added.items()[name], f"{name} is there already; change it under changes")
    files[path] = replace(files[path], value=files[path].items() | added.items())


def _change(fields: Fields, files: dict[str, Node], done: list[tuple[str, str, bool]]) -> Change:
    """One change, laid over the files; `done` holds file, place and whether only added, of all."""
    file, at = fields.text("file"), fields.text("at")
    reason, sources, evidence = fields.text("reason"), fields.words("source"), _evidence(fields)
    here, was, now = (file, at, fields.has("add")), "", ""
    if not sources:
        fields.fault("source", "a change needs a source; name one")
    elif any(_overlap(here, other) for other in done):
        fields.fault("at", "this place is changed already; join the two")
    elif evidence:
        was, now = _apply_one(fields, files, file, at)
    done.append(here)
    return Change(f"{file}: {at}", reason, sources, evidence, was, now)


def _evidence(fields: Fields) -> str:
    """The evidence mark of a change; "" and a finding when it has none."""
    mark = fields.text("evidence")
    return mark if mark in EVIDENCE else ""


def _overlap(one: tuple[str, str, bool], other: tuple[str, str, bool]) -> bool:
    """Whether one place is the other or lies in it, and what is around was not only added to."""
    (file, at, adds), (file_too, at_too, adds_too) = sorted((one, other), key=lambda each: each[1])
    inside = f"{at_too}/".startswith(f"{at}/")
    return file == file_too and inside and not (adds and (adds_too or at != at_too))


def _apply_one(fields: Fields, files: dict[str, Node], file: str, at: str) -> tuple[str, str]:
    """Make the change; in short what was there and what is there now."""
    ways = [way for way in _ACTS if fields.has(way)]
    if len(ways) != 1:
        fields.desk.report(fields.node, "a change has one of: set, add, remove")
        return "", ""
    if file not in files:
        fields.fault("file", f"there is no file {file} in the content")
        return "", ""
    way, steps = ways[0], at.split("/")
    value = fields.at(way)
    before: list[Node | None] = []

    def put(old: Node | None) -> Node | None:
        before.append(old)
        return _ACTS[way](old, _with_cite(value, fields.node), steps[-1])

    try:
        files[file] = _at(files[file], steps, put)
    except _Wrong as wrong:
        fields.fault("at", str(wrong))
    was = "" if way == "add" else "".join(_short(old) for old in before if old is not None)
    return was, "" if way == "remove" else _short(value)


def _set(old: Node | None, value: Node, step: str) -> Node:
    if old is None:
        raise _Wrong(f"{step} is not there; add it to what it belongs to")
    if _plain(old) == _plain(value):
        raise _Wrong("this is what is there already; remove the change")
    return value


def _add(old: Node | None, value: Node, _step: str) -> Node:
    if old is None:
        return replace(value, value=(value,))
    if isinstance(old.value, tuple):
        return replace(old, value=(*old.value, value))
    twice = old.items().keys() & value.items().keys() - set(_CITE)
    if not isinstance(old.value, dict) or not value.items() or twice:
        raise _Wrong("add puts an item into a list, or keys that are not there into a mapping")
    return replace(old, value=old.items() | _own(value))


def _remove(old: Node | None, _value: Node, step: str) -> None:
    if old is None:
        raise _Wrong(f"{step} is not there")


_ACTS: dict[str, Callable[[Node | None, Node, str], Node | None]] = {
    "set": _set,
    "add": _add,
    "remove": _remove,
}


def _own(value: Node) -> dict[str, Node]:
    """The keys of an added mapping; what they hold carries the source, not what is around it."""
    return {key: _with_cite(node, value) for key, node in value.items().items() if key not in _CITE}


def _at(node: Node, steps: list[str], put: Callable[[Node | None], Node | None]) -> Node:
    """The node with what `put` makes of the place that the steps lead to; None takes it away."""
    step, rest = steps[0], steps[1:]
    if isinstance(node.value, dict):
        child = node.value.get(step)
        if rest and child is None:
            raise _Wrong(f"there is no {step} here")
        made = put(child) if not rest or child is None else _at(child, rest, put)
        kept = {key: one for key, one in node.value.items() if key != step or made is not None}
        return replace(node, value=kept if made is None else kept | {step: made})
    if not isinstance(node.value, tuple):
        raise _Wrong(f"there is nothing below the place of {step}")
    places = [place for place, item in enumerate(node.value) if step in _names(item)]
    if len(places) != 1:
        raise _Wrong(f"{len(places)} items are named {step}; name one")
    (place,) = places
    item = node.value[place]
    made = put(item) if not rest else _at(item, rest, put)
    now = (made,) if made is not None else ()
    return replace(node, value=(*node.value[:place], *now, *node.value[place + 1 :]))


def _names(item: Node) -> Iterator[str]:
    """By what an item of a list can be named."""
    if isinstance(item.value, str):
        yield item.value
    for key in _NAMED_BY:
        name = item.items().get(key)
        if name is not None and isinstance(name.value, str):
            yield name.value
            yield from (f"{name.value}:{other}" for other in item.items() if other != key)
    medicines = item.items().get("medicines")
    if medicines is not None and isinstance(medicines.value, tuple) and medicines.value:
        yield str(medicines.value[0].value)


def _with_cite(value: Node, cited: Node) -> Node:
    """The new value, carrying the source of the change where a value can carry one."""
    said = cited.items()
    cite: dict[str, Node] = {key: said[key] for key in _CITE if key in said}
    if isinstance(value.value, dict):
        return value if "evidence" in value.value else replace(value, value={**value.value, **cite})
    numbers = value.value if isinstance(value.value, tuple) else (value,)
    if numbers and all(_is_number(one) for one in numbers):
        return replace(value, value={"value": value, **cite})
    return value


def _is_number(node: Node) -> bool:
    return isinstance(node.value, str) and _NUMBER.fullmatch(node.value) is not None


def _plain(node: Node) -> object:
    """What a node says, whatever line it stands on and whatever source it names."""
    if isinstance(node.value, tuple):
        return tuple(_plain(item) for item in node.value)
    if isinstance(node.value, dict):
        said = {key: _plain(item) for key, item in node.value.items() if key not in _CITE}
        return said["value"] if said.keys() == {"value"} else said
    return node.value


def _short(node: Node) -> str:
    """A value in a few words: items by their names, a number as it is written."""
    said = _plain(node)
    if isinstance(node.value, tuple):
        return ", ".join(next(_names(item), _short(item)) for item in node.value)
    if isinstance(said, dict):
        return next(_names(node), f"({', '.join(said)})")
    return str(said)
