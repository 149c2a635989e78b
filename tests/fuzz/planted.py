"""What is mutated: the examples, with a canary planted in every name and id of a person.

All that names somebody holds one word, so that whatever leaves the service wrongly is found by it.
"""

import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import orjson

from cds_service.fhir.read_hook import EXTENSION
from tests.examples import NOTE, PATH, STORIES, sent
from tests.hook_examples import CALLS, call, path

CANARY = "zyxquill"
"""A word that nothing of ours contains."""
Json = Any
Place = tuple[str | int, ...]
_IDS = re.compile(rb"\b(mv|tf|eh)-infant-")
_NAMED = ("family", "given", "text", "display", "line", "city")
"""Members of names, addresses, practitioners and identifiers that may say who somebody is."""
_PERSONAL = ("name", "identifier", "telecom", "address", "contact", "performer", "participant")


class Request(NamedTuple):
    """One that is good, to begin with."""

    path: str
    body: bytes
    places: tuple[Place, ...]
    """Every place in it, each deeper than none."""


def planted(body: bytes) -> bytes:
    """The request with the canary in the names and ids of persons."""
    tree = orjson.loads(_IDS.sub(rb"\1-" + CANARY.encode() + b"-", body))
    for personal in _below(tree, _PERSONAL):
        _plant(personal)
    return orjson.dumps(tree)


def _below(tree: Json, names: tuple[str, ...]) -> Iterator[Json]:
    """Every value of a member of these names."""
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in pairs:
        if isinstance(value, (dict, list)):
            if key in names:
                yield value
            yield from _below(value, names)


def _plant(tree: Json) -> None:
    """Put the canary into whatever says who it is."""
    for key, value in list(tree.items() if isinstance(tree, dict) else enumerate(tree)):
        if isinstance(value, str) and (isinstance(key, int) or key in (*_NAMED, "value")):
            tree[key] = f"{CANARY} {value}"
        elif isinstance(value, (dict, list)):
            _plant(value)


def places(value: Json, here: Place = ()) -> Iterator[Place]:
    """The places of all elements below a value."""
    pairs: Any = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        pairs = enumerate(value)
    for key, inner in pairs:
        yield (*here, key)
        yield from places(inner, (*here, key))


def requests() -> tuple[Request, ...]:
    """What the mutations begin with: each operation, most of them the main one."""
    stories = [planted(sent(story)) for story in STORIES]
    found = [(PATH, each) for each in stories]
    found += [(NOTE, each) for each in stories[::6]]
    found += [("/fhir", _batch(stories[at : at + 2])) for at in range(0, len(stories), 9)]
    found += [(path(name), _hook(planted(call(name)))) for name in CALLS for _ in range(2)]
    return tuple(Request(at, each, tuple(places(orjson.loads(each)))) for at, each in found)


def _batch(bodies: list[bytes]) -> bytes:
    request = {"method": "POST", "url": PATH.removeprefix("/fhir/")}
    entries: list[Json] = [{"request": request, "resource": orjson.loads(each)} for each in bodies]
    entries.append({"request": {"method": "GET", "url": "CodeSystem/finding"}})
    return orjson.dumps({"resourceType": "Bundle", "type": "batch", "entry": entries})


def _hook(body: bytes) -> bytes:
    """With the parameters that a call may bring along."""
    tree = orjson.loads(body)
    tree.setdefault("extension", {}).setdefault(EXTENSION, [])
    return orjson.dumps(tree)
