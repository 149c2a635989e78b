"""Checks of the catalogues: a translation says the same numbers, in its own script.

An English text that has changed is no finding: its translation is not used until it is renewed.
"""

import re
import unicodedata
from collections.abc import Iterator

from cds_service.content.bidi import CONTROLS, runs_left
from cds_service.content.catalogue import Catalogue, Translation
from cds_service.content.desk import Desk
from cds_service.content.template import literal, split
from cds_service.content.treatment import Protocol

_DIGITS = re.compile(r"[0-9]+")


def catalogues(protocol: Protocol, desk: Desk) -> None:
    """Report every fault of every catalogue; the patterns of the keys too."""
    known = frozenset(protocol.caregiver_keys)
    layered = protocol.edition is not None or protocol.adaptation is not None
    for catalogue in protocol.catalogues:
        for translation in catalogue.translations:
            if translation.key not in known:
                if layered:  # a layer may take a text away; the base is checked without it
                    continue
                what = f"no caregiver's text {translation.key}; run cds-service catalogue"
                desk.fault(catalogue.file, translation.line, what)
            elif translation.counts:
                for what in faults(catalogue, translation):
                    desk.fault(catalogue.file, translation.line, f"{translation.key}: {what}")


def faults(catalogue: Catalogue, translation: Translation) -> Iterator[str]:
    """What is wrong with one translation, beside its words."""
    english, text = translation.english, translation.text
    if sorted(split(english)[1::2]) != sorted(split(text)[1::2]):
        yield "the placeholders are not those of the English; keep each {name} as often as there"
    rest = literal(text)
    if "{" in rest or "}" in rest:
        yield "a placeholder is written {name}"
    if sorted(_DIGITS.findall(rest)) != sorted(_DIGITS.findall(literal(english))):
        yield "the numbers are not those of the English; keep them, and type no other"
    if any(not each.isascii() and each.isnumeric() for each in text):
        yield "a number in other signs than 0-9; write it so"
    if CONTROLS.intersection(text):
        yield "a sign that steers direction; remove it, the program isolates the numbers"
    if text != text.strip() or _is_broken(text):
        yield "blanks at an end, or a line break; write one line"
    if _runs_otherwise(catalogue, rest):
        yield "letters of the other direction; is this the right language?"


def _is_broken(text: str) -> bool:
    return any(unicodedata.category(each) == "Cc" for each in text)


def _runs_otherwise(catalogue: Catalogue, text: str) -> bool:
    if not catalogue.runs_left:
        return runs_left(text)
    return any(each.isalpha() for each in text) and not runs_left(text)
