"""Sentences for the caregiver in one language, and numbers said aloud."""

import re
from dataclasses import dataclass
from decimal import Decimal

from cds_service.content.bidi import LRI, PDI, isolated
from cds_service.content.catalogue import ENGLISH
from cds_service.content.model import Message
from cds_service.content.text import render, translated
from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import number

_UNIT = re.compile(r"(?<=[0-9]) (?=[^\W\d])")


@dataclass(frozen=True, slots=True)
class Speech:
    """One language of a protocol (BCP-47 tag)."""

    protocol: Protocol
    language: str

    @property
    def runs_left(self) -> bool:
        """Whether it is written from right to left."""
        if self.language == ENGLISH:
            return False
        return self.protocol.catalogue_by_language[self.language].runs_left

    @property
    def is_draft(self) -> bool:
        """Whether nobody has reviewed its texts yet."""
        if self.language == ENGLISH:
            return False
        return not self.protocol.catalogue_by_language[self.language].reviewed_by

    def say(self, message: Message | str) -> str:
        """A sentence; without a translation it is English, and keeps its own direction."""
        message = Message(message) if isinstance(message, str) else message
        if self.language != ENGLISH:
            if told := translated(self.protocol, message, self.language):
                return tied(told)
            return self.apart(tied(render(self.protocol, message)))
        return tied(render(self.protocol, message))

    def english(self, *told: Message | str) -> str:
        """The same in English, beside another language; "" where all of it is said in English."""
        messages = [Message(each) if isinstance(each, str) else each for each in told]
        english = [tied(render(self.protocol, each)) for each in messages]
        if all(one in self.say(each) for one, each in zip(english, messages, strict=True)):
            return ""
        return self.apart(capital(" ".join(english)))

    def apart(self, english: str) -> str:
        """English words among those of this language: they keep their own direction."""
        return f"{LRI}{english}{PDI}" if self.runs_left else english

    def aloud(self, value: Decimal) -> str:
        """A number in words, figure by figure after the point: "two point five"; "" if it is large.

        A point that is overlooked makes a dose ten times too high: in words it cannot be.
        """
        whole, _, rest = number(value).partition(".")
        if f"number-word.{whole}" not in self.protocol.text_by_key:
            return ""
        keys = [whole, *(("point", *rest) if rest else ())]
        return " ".join(self.say(f"number-word.{key}") for key in keys)

    def figure(self, text: str) -> str:
        """A number with its unit, kept together in a text that runs from right to left."""
        return tied(isolated(text) if self.runs_left else text)


def capital(text: str) -> str:
    """A text that begins a line."""
    return f"{text[:1].upper()}{text[1:]}"


def tied(text: str) -> str:
    """The text with each number tied to the word after it: no line may end between the two.

    >>> tied("give 2.5 mL now") == "give 2.5\u00a0mL now"
    True
    """
    return _UNIT.sub("\u00a0", text)
