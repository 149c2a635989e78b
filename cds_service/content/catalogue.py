"""Catalogues: the caregiver's texts in other languages, each with the English that it is of."""

from dataclasses import dataclass
from typing import NamedTuple

ENGLISH = "en"
"""The language that the texts are written and reviewed in."""


class Translation(NamedTuple):
    """One text of a catalogue, and the line of the file that it stands at."""

    key: str
    english: str
    """The English text that was translated."""
    text: str
    """"" when there is no translation yet."""
    fuzzy: bool
    """Marked by the translator, or by the update of the catalogue, as not to be used yet."""
    line: int

    @property
    def counts(self) -> bool:
        """Whether there is a translation that its translator stands by."""
        return bool(self.text) and not self.fuzzy


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The caregiver's texts in one language. `reviewed_by` empty: a draft, and marked as one."""

    file: str
    language: str
    """BCP-47 tag, such as "sw" or "pt-BR"."""
    runs_left: bool
    """Written from right to left."""
    reviewed_by: str
    translations: tuple[Translation, ...]
