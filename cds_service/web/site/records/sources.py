"""Whence a rule comes: the short marks of a recorded answer, and what they stand for."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.web.site.published import Publication, publications

_MARK = re.compile(r"[A-Z][A-Z0-9]{0,9}")


class Cited(NamedTuple):
    """What a line of an answer names as its source."""

    words: str
    """As recorded: "A24, P20; words seen"."""
    publications: tuple[Publication, ...]


class Sources:
    """Resolves marks by what the answer itself cites, then by the content in use."""

    def __init__(self, actions: Iterable[Mapping[str, Any]], protocol: Protocol) -> None:
        self._known = {
            each.key: Publication(each.key, each.title, each.imprint, each.url)
            for each in protocol.sources
        }
        self._known |= {each.key: each for each in _every(actions)}

    def cited(self, words: str) -> Cited:
        """The publications that these words name."""
        marks = [mark for mark in _MARK.findall(words.partition(";")[0]) if mark in self._known]
        return Cited(words, tuple(self._known[mark] for mark in dict.fromkeys(marks)))


def _every(actions: Iterable[Mapping[str, Any]]) -> Iterator[Publication]:
    for action in actions:
        yield from publications(action)
        yield from _every(action.get("action", ()))
