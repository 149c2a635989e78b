"""Which characters can be printed, and what is refused: never a box in place of a letter.

A missing letter of a name makes it another name, so a label with one is not made at all; whoever
asked is told the code points, and how to get the label with a line to write the name on.
"""

import json
import unicodedata
from collections.abc import Iterable
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

from cds_service.content.bidi import LRI, PDI
from cds_service.errors import Problem, UnusableRequest
from cds_service.label.page import Page, Picture

LONGEST = 80
"""Characters of a name that find room on every paper."""
_FONTS = Path(__file__).parent / "fonts" / "coverage.json"
_JOINERS = "\u200c\u200d"
"""Within a word of some scripts they choose the shape of a letter."""
_MOST_MARKS = 4
"""Marks on one letter; more of them would run into the lines around."""
_TOLD = 5
_BLANK = "Ask with name=blank for a line to write on, and write by hand."


@cache
def known() -> frozenset[int]:
    """The code points that the fonts of this package have."""
    families: dict[str, list[list[int]]] = json.loads(_FONTS.read_text("ascii"))
    ranges = (each for rows in families.values() for each in rows)
    return frozenset(code for low, high in ranges for code in range(low, high + 1))


def name_to_print(sent: str) -> str:
    """A name as it is printed: composed letters (Unicode NFC), single blanks.

    Raises UnusableRequest when it is too long or has a character that is not printed: one that no
    font has, that steers the direction of what stands beside it, or too many marks on one letter.
    """
    name = " ".join(unicodedata.normalize("NFC", sent).split())
    if len(name) > LONGEST:
        what = f"A name is longer than {LONGEST} characters, and is not printed in part."
        raise UnusableRequest(Problem("too-long", what, _BLANK))
    wrong = {each for each in name if not _is_letter(each)}
    marks = 0
    for each in name:
        marks = marks + 1 if unicodedata.category(each) in ("Mn", "Me") else 0
        if marks > _MOST_MARKS:
            wrong.add(each)
    if wrong:
        what = f"A name has characters that are not printed: {_points(wrong)}."
        raise UnusableRequest(Problem("not-supported", what, _BLANK))
    return name


def check(page: Page) -> None:
    """Raises UnusableRequest when something on the page has a character that no font has."""
    wrong = {each for text in _texts(asdict(page)) for each in set(text)}
    wrong = {each for each in wrong if ord(each) not in known() and each not in (LRI, PDI)}
    if wrong:
        what = f"The texts have characters that no font of the labels has: {_points(wrong)}."
        remedy = "Ask in another language (lang=en); whoever keeps the content adds a font."
        raise UnusableRequest(Problem("not-supported", what, remedy))


def _is_letter(each: str) -> bool:
    if each in _JOINERS:
        return True
    return ord(each) in known() and unicodedata.category(each)[0] != "C"


def _texts(value: Any) -> Iterable[str]:
    """All that is said; a drawing has figures and letters of the amount alone."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        drawn = value.keys() == Picture.__dataclass_fields__.keys()
        yield from _texts([each for name, each in value.items() if not (drawn and name == "svg")])
    elif isinstance(value, (list, tuple)):
        for each in value:
            yield from _texts(each)


def _points(characters: Iterable[str]) -> str:
    """Their code points, the lowest first."""
    codes = [f"U+{ord(each):04X}" for each in sorted(characters)]
    more = f" and {len(codes) - _TOLD} more" if len(codes) > _TOLD else ""
    return ", ".join(codes[:_TOLD]) + more
