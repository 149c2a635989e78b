"""`Prefer`: what the caller would like, and what of it was done (RFC 7240; FHIR R4 http.html#ops).

A preference that is not known, or has a value that is not, is passed over, as the RFC says.
"""

import re
from typing import NamedTuple

import orjson

from cds_service.fhir.outcome import recorded
from cds_service.service import Answer

_WORD = r"[!#$%&'*+.^_`|~0-9A-Za-z-]+"
_ELEMENT = re.compile(r'(?:"(?:[^"\\]|\\.)*"|[^,"])+')
_PREFERENCE = re.compile(rf'\s*({_WORD})\s*=\s*("(?:[^"\\]|\\.)*"|{_WORD})\s*(?:;.*)?', re.DOTALL)
MINIMAL, REPRESENTATION, OUTCOME = "minimal", "representation", "OperationOutcome"
_RETURNS = {each.lower(): each for each in (MINIMAL, REPRESENTATION, OUTCOME)}


class Preferences(NamedTuple):
    """What is preferred, of that which is known here."""

    strict: bool = False
    """`handling=strict` (FHIR R4 search.html#lenient)."""
    returns: str = ""
    """`return`: one of MINIMAL, REPRESENTATION and OUTCOME; "" when nothing is said."""

    def applied(self) -> dict[str, str]:
        """The header Preference-Applied, for an answer that did all of it."""
        done = ["handling=strict"] if self.strict else []
        done += [f"return={self.returns}"] if self.returns else []
        return {"preference-applied": ", ".join(done)} if done else {}


def preferences(header: str) -> Preferences:
    """Read the header Prefer; the first of several values counts.

    >>> preferences("return=minimal, handling=strict; a=1")
    Preferences(strict=True, returns='minimal')
    >>> preferences('Handling = "STRICT", handling=lenient, wait=3')
    Preferences(strict=True, returns='')
    >>> preferences('x="a, handling=strict", return=all, return=minimal, respond-async')
    Preferences(strict=False, returns='')
    """
    found: dict[str, str] = {}
    for element in _ELEMENT.findall(header):
        if match := _PREFERENCE.fullmatch(element):
            found.setdefault(match[1].lower(), match[2].strip('"').lower())
    return Preferences(found.get("handling") == "strict", _RETURNS.get(found.get("return", ""), ""))


def shown(answer: Answer, wanted: Preferences) -> tuple[int, bytes]:
    """Status and body for what was recorded: all of it, nothing, or only that it was."""
    if wanted.returns == MINIMAL:
        return 204, b""
    if wanted.returns == OUTCOME:
        return 200, orjson.dumps(recorded(answer.index, answer.outcome))
    return 200, answer.body
