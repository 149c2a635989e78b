"""Places in a request, as FHIRPath names them in what the service says: found, and removed."""

import re
from collections.abc import Iterable
from typing import Any

_STEP = re.compile(r"\.([A-Za-z]\w*)(?:\[(\d+)\])?")
_GONE = object()


def found_at(tree: Any, expression: str) -> Any:
    """What stands at a place; None when nothing does.

    >>> found_at({"entry": [{"resource": {"id": "a"}}]}, "Bundle.entry[0].resource.id")
    'a'
    """
    found: Any = tree
    for name, index in _STEP.findall(expression):
        found = found.get(name) if isinstance(found, dict) else None
        if index:
            found = found[int(index) :] if isinstance(found, list) else None
            found = found[0] if found else None
    return found


def resource_at(tree: Any, expression: str) -> dict[str, Any]:
    """The resource of the Bundle's entry that a place lies in; {} when it lies in none."""
    before, entry, rest = expression.partition(".entry[")
    found = found_at(tree, f"{before}{entry}{rest.partition(']')[0]}].resource") if entry else None
    return found if isinstance(found, dict) else {}


def without(tree: Any, expressions: Iterable[str]) -> Any:
    """The request without what stands at these places of lists; an entry goes with its resource.

    >>> two = {"entry": [{"resource": {"id": "a"}}, {"resource": {"id": "b"}}]}
    >>> without(two, ["Bundle.entry[0].resource"])
    {'entry': [{'resource': {'id': 'b'}}]}
    """
    # First marked, then taken out: so every index holds until the last is found.
    for expression in expressions:
        place, _, index = expression.removesuffix(".resource").removesuffix("]").rpartition("[")
        siblings = found_at(tree, place)
        if isinstance(siblings, list) and index.isdecimal() and int(index) < len(siblings):
            siblings[int(index)] = _GONE
    return _swept(tree)


def _swept(node: Any) -> Any:
    if isinstance(node, dict):
        kept = {name: _swept(value) for name, value in node.items()}
        # FHIR has no empty arrays.
        return {name: value for name, value in kept.items() if value != [] or node[name] == []}
    if isinstance(node, list):
        return [_swept(each) for each in node if each is not _GONE]
    return node
