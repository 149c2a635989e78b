"""What is wrong at one place of the text, before it is known where in the request that is."""

import re

import msgspec

from cds_service.errors import Problem


class WireError(ValueError):
    """Raised while one value is decoded; `below` names the element under the one at hand.

    `code` is a code of FHIR's issue-type code system. Neither text may repeat the value.
    """

    def __init__(self, code: str, what: str, remedy: str, below: str = "") -> None:
        self.code = code
        self.what = what
        self.remedy = remedy
        self.below = below
        super().__init__(what)

    def at(self, expression: str) -> Problem:
        """The problem that this fault is at a place of the request."""
        where = f"{expression}{self.below}" if expression else self.below.removeprefix(".")
        return Problem(self.code, self.what, self.remedy, where)


DECODE_ERRORS = (msgspec.ValidationError, msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""What msgspec raises about a text."""

_MISSING = re.compile(r"Object missing required field `(\w+)`")


def from_decoder(error: Exception, expression: str) -> Problem:
    """Turn what msgspec says about a resource into a Problem that repeats no value of it."""
    text, found, place = str(error).rpartition(" - at `$")
    if not found:
        text, place = place, ""
    where = expression + place.rstrip("`")
    if isinstance(error.__cause__, WireError):
        return error.__cause__.at(where)
    return _foreign(text).at(where)


def _foreign(text: str) -> WireError:
    if missing := _MISSING.match(text):
        name = missing[1]
        return WireError("required", f"The element {name} is missing.", f"Send {name}.", f".{name}")
    if text.startswith("Invalid "):
        return WireError(
            "code-invalid",
            "The code is not one that FHIR R4 allows here.",
            "Send a code of the value set that FHIR R4 binds to this element.",
        )
    if "of length >=" in text:
        return WireError(
            "structure", "Nothing is in it.", "Leave an element out when it has no content."
        )
    if "of length <=" in text:
        return WireError("value", "It is too long.", "Send at most 64 letters.")
    return WireError(
        "structure",
        f"{text}.".replace("`", "'"),
        "Send the JSON type that FHIR R4 defines for this element; leave it out when unknown.",
    )
