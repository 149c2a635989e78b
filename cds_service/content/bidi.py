"""Which way a text runs, and how a number keeps its own way inside it.

In a text that runs from right to left, "2.5 mL" or "250 mg/5 mL" may be shown with its parts
exchanged. So each such part is isolated (Unicode Standard Annex 9, LRI ... PDI).
"""

import re
import unicodedata

LRI, PDI = "\u2066", "\u2069"
"""Left-to-right isolate, and the end of an isolate."""

CONTROLS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Every character that steers direction; the program writes them, a translator does not."""

_NO_ISOLATES = {ord(LRI): None, ord(PDI): None}
_DIGIT = re.compile(r"[0-9]")
_NUMBER = re.compile(r"[0-9](?:[0-9.,:/]*[0-9])?")
_LETTERS_OF_A_SCRIPT = 4
_LEFT_RUNNING_SCRIPTS = frozenset(["Adlm", "Arab", "Hebr", "Nkoo", "Rohg", "Syrc", "Thaa"])
_LEFT_RUNNING_LANGUAGES = frozenset((
    "apc", "ar", "bal", "bgn", "ckb", "dv", "fa", "he", "ks", "lrc", "mzn", "nqo",
    "ps", "rhg", "sd", "sdh", "skr", "syr", "trw", "ug", "ur", "yi",
))  # fmt: skip


def runs_left(text: str) -> bool:
    """Whether a text has letters of a script that is written from right to left.

    >>> runs_left("5 mL"), runs_left("مرة")
    (False, True)
    """
    return any(unicodedata.bidirectional(each) in ("R", "AL") for each in text)


def language_runs_left(tag: str) -> bool:
    """Whether a language (BCP 47 tag) is written from right to left: as its script says, if named.

    By hand, because Babel keeps all it knows of a language that is asked: 10 MB for eight. Its
    data, the CLDR, has been compared (tests/content/test_bidi.py).

    >>> language_runs_left("ar"), language_runs_left("sw"), language_runs_left("ff-Adlm")
    (True, False, True)
    """
    language, *others = tag.split("-")
    script = next((each for each in others if len(each) == _LETTERS_OF_A_SCRIPT), "")
    return script in _LEFT_RUNNING_SCRIPTS if script else language in _LEFT_RUNNING_LANGUAGES


def isolated(text: str) -> str:
    """A number, with its unit and whatever belongs to it, as one isolate.

    Words of a script that runs left are no part of a number; there, the numbers inside have been
    isolated already.

    >>> isolated("5 mL") == LRI + "5 mL" + PDI, isolated("mL")
    (True, 'mL')
    """
    if not _DIGIT.search(text) or runs_left(text):
        return text
    return f"{LRI}{text.translate(_NO_ISOLATES)}{PDI}"


def isolate_numbers(text: str) -> str:
    """The same for each number that stands in a text of the content itself."""
    return _NUMBER.sub(lambda found: isolated(found[0]), text)
