"""What became of a recommendation: the Parameters of `$feedback`.

They are kept in the log as they were sent, so the same reader serves the one who sends them and
the auditor who finds them there.
"""

import re
from dataclasses import dataclass
from typing import Final

import orjson

from cds_service.errors import Problem, UnusableRequest
from cds_service.fhir.read_parameters import OperationParameter, entry_named, read_parameters
from cds_service.fhir.wire import Concept, NamedReference

ACCEPTED: Final = "accepted"
OVERRIDDEN: Final = "overridden"
LONGEST: Final = 2000
"""Characters of a reason, a name or an address."""
FEEDBACK_PARAMETERS: Final = {
    "outcome": ("valueCode",),
    "by": ("valueReference", "valueString"),
    "reason": ("valueCodeableConcept", "valueString"),
    "action": ("valueReference",),
    "entry": ("valueInteger",),
}
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


@dataclass(frozen=True, slots=True)
class Feedback:
    """What became of a recommendation, and who says so."""

    outcome: str
    """ACCEPTED or OVERRIDDEN."""
    by: str
    """Reference to who decided, or "" when only a name was given."""
    by_name: str
    reason: str
    """Why, in words: those of the code when no others were sent."""
    reason_codes: tuple[str, ...] = ()
    """`system|code` of each coding of the reason."""
    action: str = ""
    """Which part of the answer is meant, by its address there; "" means all of it."""
    entry: int | None = None
    """Which entry of the log is meant; None: the newest of the decision."""


def read_feedback(body: bytes) -> Feedback:
    """Read the body of `$feedback`.

    Raises MalformedRequest (not JSON, not FHIR, a parameter that is not defined or twice) and
    UnusableRequest (who decided is missing, or the reason of an override).
    """
    found = read_parameters(body, FEEDBACK_PARAMETERS)
    outcome = found["outcome"].value_code if "outcome" in found else ""
    if outcome not in (ACCEPTED, OVERRIDDEN):
        raise _unusable("outcome", f"{ACCEPTED} or {OVERRIDDEN}")
    by, by_name = _who(found.get("by"))
    if not by and not by_name:
        raise _unusable("by", "who decided, a reference or a name")
    reason, codes = _reason(found.get("reason"))
    if outcome == OVERRIDDEN and not reason:
        raise _unusable("reason", "why it was overridden, a code or a text")
    action = _who(found.get("action"))[0]
    for name, text in (("by", by + by_name), ("reason", reason), ("action", action)):
        if len(text) > LONGEST or _CONTROL.search(text):
            raise _unusable(name, f"at most {LONGEST} characters, no control characters")
    entry = entry_named(found.get("entry"))
    return Feedback(str(outcome), by, by_name, reason, codes, action, entry)


def actions(response: bytes) -> frozenset[str]:
    """The addresses within a recorded answer that a feedback may be about."""
    entries = orjson.loads(response).get("entry", ())
    return frozenset(each["fullUrl"] for each in entries if "fullUrl" in each)


def _who(one: OperationParameter | None) -> tuple[str, str]:
    """Reference and name."""
    if one is None:
        return "", ""
    if isinstance(one.value_reference, NamedReference):
        return _text(one.value_reference.reference), _text(one.value_reference.display)
    return "", _text(one.value_string)


def _reason(one: OperationParameter | None) -> tuple[str, tuple[str, ...]]:
    """Words and codes."""
    if one is None:
        return "", ()
    if not isinstance(one.value_codeable_concept, Concept):
        return _text(one.value_string), ()
    concept = one.value_codeable_concept
    coded = [each for each in concept.codings() if _text(each.code)]
    words = [_text(concept.text), *(_text(each.display) or _text(each.code) for each in coded)]
    codes = tuple(f"{_text(each.system)}|{_text(each.code)}" for each in coded)
    return next(filter(None, words), ""), codes


def _text(value: object) -> str:
    return value.strip() if isinstance(value, str) else ""


def _unusable(name: str, wanted: str) -> UnusableRequest:
    what = f"The parameter `{name}` is missing, or its value is not usable."
    remedy = f"Send `{name}`: {wanted}."
    return UnusableRequest(Problem("required", what, remedy, "Parameters.parameter"))
