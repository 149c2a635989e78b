"""What an action of an answer rests on: the publications that its documentation names."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple


class Publication(NamedTuple):
    """One published source, by the names that the content has for these."""

    key: str
    title: str
    imprint: str
    url: str


def publications(action: Mapping[str, Any]) -> Iterator[Publication]:
    """The publications of an action of a RequestGroup, without those of its parts."""
    for each in action.get("documentation", ()):
        parts = (each.get(name, "") for name in ("label", "display", "citation", "url"))
        yield Publication(*parts)
