"""What differs between two answers to the same request, in words.

Resources of two answers belong together when they are of one type and say the same of themselves
(their code, or the medicine); then each value that differs is named with its place.
"""

from collections.abc import Iterator
from typing import Any

import orjson

MOST = 50
"""Differences that are told; of further ones only how many."""
_LONGEST = 200


def answer_differences(then: bytes, now: bytes) -> tuple[str, ...]:
    """The differences, those of the whole answer first; () when the bytes are the same.

    >>> answer_differences(b'{"entry":[]}', b'{"entry": []}')
    ('The values are the same; their order or spelling differs.',)
    """
    if then == now:
        return ()
    found = list(_compared(orjson.loads(then), orjson.loads(now)))
    if not found:
        return ("The values are the same; their order or spelling differs.",)
    if len(found) > MOST:
        return (*found[:MOST], f"{len(found) - MOST} more differences.")
    return tuple(found)


def _compared(then: Any, now: Any) -> Iterator[str]:
    before, after = _resources(then), _resources(now)
    for name in dict.fromkeys((*before, *after)):
        if name not in after:
            yield f"{name}: was there and is not any more"
        elif name not in before:
            yield f"{name}: is new"
        else:
            yield from _values(before[name], after[name], name)


def _resources(answer: Any) -> dict[str, Any]:
    """The resources by a name that does not depend on their ids."""
    named: dict[str, Any] = {}
    rest = {key: value for key, value in answer.items() if key != "entry"}
    for entry in answer.get("entry", ()):
        resource = entry["resource"]
        name = f"{resource['resourceType']} {_named(resource)}".strip()
        again = sum(known == name or known.startswith(f"{name} #") for known in named)
        named[f"{name} #{again + 1}" if again else name] = resource
    return {"The answer": rest, **named}


def _named(resource: Any) -> str:
    for concept in (resource.get("code"), *map(_code, resource.get("contained", ()))):
        if isinstance(concept, dict):
            coding = concept.get("coding") or [{}]
            name = coding[0].get("code") or concept.get("text")
            return str(name or "")
    return ""


def _code(resource: Any) -> Any:
    return resource.get("code")


def _values(then: Any, now: Any, place: str) -> Iterator[str]:
    if isinstance(then, dict) and isinstance(now, dict):
        for key in dict.fromkeys((*then, *now)):
            yield from _values(then.get(key), now.get(key), f"{place}.{key}")
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for index, (before, after) in enumerate(zip(then, now, strict=True)):
            yield from _values(before, after, f"{place}[{index}]")
    elif then != now:
        yield f"{place}: was {_said(then)}, is {_said(now)}"


def _said(value: Any) -> str:
    if value is None:
        return "not there"
    text = orjson.dumps(value).decode()
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."
