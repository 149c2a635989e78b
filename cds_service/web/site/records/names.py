"""What the codes of the log are called on a page."""

from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, tzinfo
from typing import Final

from cds_service.content.treatment import Protocol

OUTCOMES: Final[Mapping[str, str]] = {
    "success": "Complete",
    "data-requested": "Complete, with questions left",
    "data-required": "Not complete: something needed was not known",
    "": "Cards or a referral note",
    "erased": "Erased since",
}
"""GuidanceResponse.status in words; what has none, and what is not known any more."""
FEEDBACKS: Final[Mapping[str, str]] = {"accepted": "accepted", "overridden": "overridden"}
KINDS: Final[Mapping[str, str]] = {
    "recommendation": "Recommendation",
    "feedback": "Feedback",
    "rendering": "Label or leaflet",
    "reading": "Reading by an auditor",
    "erasure": "Erasure",
    "taken-over": "Log taken over from an earlier layout",
}


class Names:
    """Names of classes in the content in use; `zone` is that in which times are shown."""

    def __init__(self, protocol: Protocol, zone: tzinfo | None) -> None:
        self._texts = protocol.text_by_key
        self._zone = zone

    def held(self, code: str) -> str:
        """The name of a class; its code when the content in use has no such class."""
        return self._texts.get(f"class.{code}", code)

    def time(self, at: datetime) -> str:
        """A moment to the second, with its offset."""
        local = at.astimezone(self._zone)
        return f"{day(local.date())}, {local:%H:%M:%S} {local:%Z}"


def day(at: date) -> str:
    """A day as it is read.

    >>> day(date(2026, 3, 2))
    '2 Mar 2026'
    """
    return f"{at.day} {at:%b} {at.year}"


def number(count: int) -> str:
    """A count with thin spaces between thousands (ISO 80000-1, 7.3.1, from memory)."""
    return f"{count:,}".replace(",", "\u202f")


def named(codes: Iterable[str], name: Callable[[str], str | None] = str) -> list[tuple[str, str]]:
    """Codes with their names, for a list to choose from, by name.

    >>> named(["b", "a"], {"b": "apple"}.get)
    [('a', 'a'), ('b', 'apple')]
    """
    return sorted(((code, name(code) or code) for code in codes), key=lambda pair: pair[1])
