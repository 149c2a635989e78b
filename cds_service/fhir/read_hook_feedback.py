"""The feedback of a CDS Hooks client: which cards were accepted or overridden, and why."""

import re
from datetime import datetime
from typing import Annotated, Final, Literal, NamedTuple

import orjson
from msgspec import UNSET, Meta, Raw, UnsetType

from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir import json_text
from cds_service.fhir.wire import Coding, Text, Wire, decode, decoder

MOST: Final = 100
"""Cards of one call."""
LONGEST: Final = 2000
"""Characters of a comment."""
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


class _Accepted(Wire, kw_only=True):
    id: Text


class _Reason(Wire, kw_only=True):
    reason: Coding | UnsetType = UNSET
    user_comment: Annotated[str, Meta(max_length=LONGEST)] | UnsetType = UNSET


class _Feedback(Wire, kw_only=True):
    card: Text
    outcome: Literal["accepted", "overridden"]
    outcome_timestamp: Text
    accepted_suggestions: list[_Accepted] | UnsetType = UNSET
    override_reason: _Reason | UnsetType = UNSET


class _Body(Wire, kw_only=True):
    feedback: Annotated[list[Raw], Meta(min_length=1, max_length=MOST)]


_BODY, _FEEDBACK = decoder(_Body), decoder(_Feedback)


class CardFeedback(NamedTuple):
    """What became of one card; `text` is what was sent of it, as it came."""

    text: bytes
    card: str
    outcome: str
    suggestions: tuple[str, ...]
    place: str


def read_hook_feedback(body: bytes) -> list[CardFeedback]:
    """Read the body of a feedback; raises MalformedRequest."""
    if not isinstance(json_text.parse(body), dict):
        raise MalformedRequest(Problem("structure", "The body is not an object.", _SEND))
    sent = decode(_BODY, body, "$this").feedback
    return [_one(raw, f"feedback[{index}]") for index, raw in enumerate(sent)]


def _one(raw: Raw, place: str) -> CardFeedback:
    sent = decode(_FEEDBACK, raw, place)
    if not _is_time(sent.outcome_timestamp):
        what = "outcomeTimestamp is no time."
        remedy = "Send a time in UTC, such as 2026-05-01T09:30:00Z."
        raise MalformedRequest(Problem("value", what, remedy, f"{place}.outcomeTimestamp"))
    named = [] if sent.accepted_suggestions is UNSET else sent.accepted_suggestions
    if sent.outcome == "accepted" and not named:
        what = "No suggestion is named, although the card was accepted."
        where = f"{place}.acceptedSuggestions"
        raise MalformedRequest(Problem("required", what, "Name those that were accepted.", where))
    suggestions = tuple(each.id for each in named)
    return CardFeedback(bytes(raw), sent.card.lower(), sent.outcome, suggestions, place)


def _is_time(text: str) -> bool:
    if not _TIME.fullmatch(text):
        return False
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def suggestions_of(response: bytes, card: str) -> frozenset[str] | None:
    """The suggestions of a card of a recorded answer; None when it has no such card."""
    for each in orjson.loads(response).get("cards", ()):
        if each["uuid"] == card:
            return frozenset(one["uuid"] for one in each.get("suggestions", ()))
    return None


_SEND = "Send an object with the array `feedback`."
