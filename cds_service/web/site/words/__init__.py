"""The words of the pages, a catalogue for each language; the clinical words are the content's."""

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import yaml
from babel import Locale

ENGLISH = "en"
"""The language that the words are written in."""


class Words(NamedTuple):
    """The words of one language, by key; called with one, and what its placeholders stand for."""

    language: str
    texts: Mapping[str, str]
    runs_left: bool = False
    draft: bool = False
    """Nobody has reviewed the translation."""

    def __call__(self, key: str, /, **values: object) -> str:
        """The text; raises KeyError when there is none, or when a placeholder has no value."""
        text = self.texts[key]
        return text.format_map(values) if values else text


@cache
def english() -> Words:
    """The words as they are written."""
    text = files(__package__).joinpath("en.yaml").read_text(encoding="utf-8")
    return Words(ENGLISH, yaml.safe_load(text))


def own_name(language: str) -> str:
    """What a language calls itself.

    >>> own_name("sw"), own_name("fr")
    ('Kiswahili', 'français')
    """
    return str(Locale.parse(language, sep="-").get_display_name() or language)
