"""Whence a rule comes: the short marks of a recorded answer, and what they stand for."""

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from cds_service.content.treatment import Protocol

_MARK = re.compile(r"[A-Z][A-Z0-9]{0,9}")


class Publication(NamedTuple):
    """One published source."""

    mark: str
    title: str
    imprint: str
    url: str


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
        for each in _documents(actions):
            mark = each.get("label", "")
            title, url = each.get("display", ""), each.get("url", "")
            self._known[mark] = Publication(mark, title, each.get("citation", ""), url)

    def cited(self, words: str) -> Cited:
        """The publications that these words name."""
        marks = [mark for mark in _MARK.findall(words.partition(";")[0]) if mark in self._known]
        return Cited(words, tuple(self._known[mark] for mark in dict.fromkeys(marks)))


def _documents(actions: Iterable[Mapping[str, Any]]) -> Iterable[Mapping[str, Any]]:
    for action in actions:
        yield from action.get("documentation", ())
        yield from _documents(action.get("action", ()))
