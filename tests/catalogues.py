"""Catalogues that are made up, so that what is tested does not hang on a translator's words."""

import re
from collections.abc import Callable
from dataclasses import replace

from cds_service.content.catalogue import Catalogue, Translation
from cds_service.content.template import split
from cds_service.content.treatment import Protocol

DIGITS = re.compile(r"[0-9]+")

Words = Callable[[str, str], str]
"""Key and English text -> the translation ("" for none)."""


def marked(mark: str) -> Words:
    """A translation that is the English behind a word of another script or language."""
    return lambda _, english: f"{mark} {english}"


def swapped(key: str, english: str) -> str:
    """Hebrew letters in place of the Latin ones, placeholders and digits where they were."""
    parts = list(split(english))
    parts[::2] = [re.sub(r"[A-Za-z]", "\u05d0", part) for part in parts[::2]]
    parts[1::2] = [f"{{{name}}}" for name in parts[1::2]]
    return "".join(parts)


def with_language(
    protocol: Protocol, language: str, words: Words, *, reviewed: str = "", left: bool = False
) -> Protocol:
    """The protocol with one more language, made of its own English texts."""
    english = dict(protocol.texts)
    made = tuple(
        Translation(key, english[key], words(key, english[key]), fuzzy=False, line=1)
        for key in protocol.caregiver_keys
    )
    catalogue = Catalogue(f"translations/{language}.po", language, left, reviewed, made)
    return replace(protocol, catalogues=(*protocol.catalogues, catalogue))


def numbers(text: str) -> list[str]:
    """Every number of a text, in order of size: another language may tell them in another order."""
    return sorted(DIGITS.findall(text))
