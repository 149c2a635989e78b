"""The words of the pages, a catalogue for each language; the clinical words are the content's.

`en.yaml` is what they are written in. A translation is a gettext catalogue beside it, read as those
of the content: it counts while its msgid is the English as it stands, else the English is shown.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import yaml
from babel import Locale

from cds_service.content.desk import Desk, Names
from cds_service.content.parse_catalogue import read
from cds_service.errors import ContentError
from cds_service.service.languages import chosen_language

ENGLISH = "en"


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
    return Words(ENGLISH, yaml.load(text, Loader=yaml.CSafeLoader))


@cache
def every() -> Mapping[str, Words]:
    """The words of each language by its tag, English first. Raises ContentError."""
    found = {ENGLISH: english()}
    folder = sorted(files(__package__).iterdir(), key=lambda each: each.name)
    for file in folder:
        if file.name.endswith(".po"):
            words = _translated(file.name, file.read_bytes())
            found[words.language] = words
    return found


def chosen(wishes: Sequence[str]) -> Words:
    """The words of the first wish that there are any of, else the English ones."""
    return every()[chosen_language(wishes, tuple(every()))]


def _translated(name: str, data: bytes) -> Words:
    desk = Desk(Names())
    catalogue = read(name, data, desk)
    if catalogue is None or desk.findings:
        raise ContentError(tuple(map(str, desk.findings)))
    texts = english().texts
    usable = {
        each.key: each.text
        for each in catalogue.translations
        if each.counts and texts.get(each.key) == each.english
    }
    draft = not catalogue.reviewed_by
    return Words(catalogue.language, {**texts, **usable}, catalogue.runs_left, draft)


def own_name(language: str) -> str:
    """What a language calls itself.

    >>> own_name("sw"), own_name("fr")
    ('Kiswahili', 'français')
    """
    return str(Locale.parse(language, sep="-").get_display_name() or language)
