"""What all cards of one answer share: ids, source, words in Markdown, suggestions and actions.

CDS Hooks 2.0, "CDS Service Response". A resource in an action stands alone: what it would refer to
in the answer of `$apply` is told in words instead, so that a client can create it as it is.
"""

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from cds_service.content.model import Message
from cds_service.engine.identity import uuid5
from cds_service.engine.model import Decision
from cds_service.engine.phrase import adapted
from cds_service.fhir.codes import plan_definition
from cds_service.fhir.write import write
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json

LONGEST_SUMMARY: Final = 139
"""Characters: the specification asks for fewer than 140."""
MOST_CARDS: Final = 255
"""The number of a card is one byte of its id."""
REASONS: Final = (
    "other-source", "senior-decided", "data-wrong", "not-available", "caregiver-declined",
    "already-done",
)  # fmt: skip
TOPICS: Final = ("now", "treatment", "missing", "cautions", "dose-check")
INDICATORS: Final = {"high": "critical", "moderate": "warning", "low": "info"}

_MARKED = re.compile(r"([\\`*_\[\]<>#|~&@]|(?<=http):|(?<=https):|(?<=www)\.)", re.IGNORECASE)
_LEADING = re.compile(r"^(\d*)([-+=]|(?<=\d)[.)](?=\s|$))")

Section = tuple[str, Sequence[str]]
"""A heading ("" for none) and its lines."""


def markdown(text: str) -> str:
    r"""Words that mean nothing in GitHub-flavoured Markdown but themselves, on one line.

    >>> print(markdown("a *b* [c](http://d.example) <e>"))
    a \*b\* \[c\](http\://d.example) \<e\>
    """
    plain = _MARKED.sub(r"\\\1", " ".join(text.split()))
    return _LEADING.sub(r"\1\\\2", plain)


def card_id(answer: str, number: int) -> str:
    """The id of a card of an answer: RFC 9562 version 8, from the answer's id and its number.

    It can be turned back, so that a feedback finds its answer in the log without an index.

    >>> card_id("5b0f6b3e-9d43-5c1e-8a55-0c9f6f6f1f10", 1)
    '5b0f6b3e-9d43-8c1e-8a55-0c9f6f6f1f11'
    """
    space = bytearray(UUID(answer).bytes)
    space[15] ^= number
    space[6] = space[6] & 0x0F | 0x80
    return str(UUID(bytes=bytes(space)))


def answers_of(card: str) -> Iterator[str]:
    """The answers that a card may be of, the likeliest first; none for an id that is no card's.

    >>> next(answers_of("5b0f6b3e-9d43-8c1e-8a55-0c9f6f6f1f11"))
    '5b0f6b3e-9d43-5c1e-8a55-0c9f6f6f1f10'
    """
    try:
        space = bytearray(UUID(card).bytes)
    except ValueError:
        return
    if space[6] >> 4 != 8:
        return
    space[6] = space[6] & 0x0F | 0x50
    last = space[15]
    for number in range(1, MOST_CARDS + 1):
        space[15] = last ^ number
        yield str(UUID(bytes=bytes(space)))


class Deck:
    """The cards of one answer. `answer` is its id, `server` the address of the caller's server."""

    def __init__(
        self, decision: Decision, *, base: str, language: str, answer: str, server: str = ""
    ) -> None:
        self.decision = decision
        self.house = House.of(decision.protocol, base)
        self._space = UUID(decision.id).bytes
        self._answer = answer
        self._server = f"{server}/" if server else ""
        written = write(decision, base=base, language=language)
        entries = json.loads(written, parse_float=Decimal)["entry"]
        self._resources: dict[str, Json] = {each["fullUrl"]: each["resource"] for each in entries}
        self._cards: list[Json] = []

    @property
    def cards(self) -> list[Json]:
        """What was dealt so far."""
        return self._cards

    def text(self, message: Message) -> str:
        """The English words of a message."""
        return self.house.text(message)

    def title(self, key: str, **values: str | Message) -> str:
        """The words of a text; `values` fill its placeholders."""
        return self.house.text(Message(key, tuple(values.items())))

    def deal(
        self,
        topic: str,
        indicator: str,
        summary: Sequence[str],
        sections: Iterable[Section],
        suggestions: Sequence[Json] = (),
        *,
        behaviour: str = "at-most-one",
    ) -> None:
        """Add a card. Of `summary` as many sentences are taken as there is room for."""
        name = card_id(self._answer, len(self._cards) + 1)
        card: Json = {
            "uuid": name,
            "summary": _short(summary),
            "indicator": indicator,
            "source": self._source(topic),
            "detail": self._detail(sections),
        }
        if suggestions:
            space = UUID(name).bytes
            for number, each in enumerate(suggestions):
                each["uuid"] = uuid5(space, b"suggestion.%d" % number).decode()
            card |= {"suggestions": list(suggestions), "selectionBehavior": behaviour}
        card["overrideReasons"] = [
            self.house.own("override-reason", code)
            | {"display": self.title(f"hooks.override.{code}")}
            for code in REASONS
        ]
        self._cards.append(card)

    def _source(self, topic: str) -> Json:
        protocol = self.decision.protocol
        coding = self.house.own("card-topic", topic)
        return {
            "label": self.title("hooks.source", title=protocol.title, version=protocol.version),
            "url": plan_definition(self.house.base, protocol.id),
            "topic": coding | {"display": self.title(f"hooks.topic.{topic}")},
        }

    def _detail(self, sections: Iterable[Section]) -> str:
        blocks = []
        for heading, lines in sections:
            if not lines:
                continue
            told = "\n".join(f"- {markdown(line)}" for line in lines)
            blocks.append(f"**{markdown(heading)}**\n\n{told}" if heading else told)
        said = map(self.text, adapted(self.decision.protocol))
        blocks += map(markdown, (*said, self.title("write.proposal")))
        return "\n\n".join(blocks)

    def suggestion(self, label: str, actions: Sequence[Json], *, recommended: bool = False) -> Json:
        """A suggestion; all its actions are done together. Its id is given when it is dealt."""
        said: Json = {"label": label, "uuid": ""}
        if recommended:
            said["isRecommended"] = True
        return said | {"actions": list(actions)}

    def create(self, role: str, what: str) -> Json:
        """Create the resource that has this role in the answer of `$apply`."""
        description = self.title("hooks.action.create", what=what)
        return {"type": "create", "description": description, "resource": self.resource(role)}

    def resource(self, role: str) -> Json:
        """The resource of a role, standing alone."""
        found = self._resources[f"urn:uuid:{uuid5(self._space, role.encode()).decode()}"]
        return self.alone(found)

    def alone(self, resource: Json) -> Json:
        """A resource without references into the answer that it came from."""
        alone: Json = self._outside(resource)
        names = [self._name(each) for each in alone.pop("reasonReference", ())]
        reasons = [*alone.pop("reasonCode", ()), *({"text": name} for name in names if name)]
        if reasons:
            alone["reasonCode"] = reasons
        if alone.get("intent") == "option":
            alone["intent"] = "proposal"  # an option is a member of a RequestGroup
        return alone

    def _outside(self, tree: Any) -> Any:
        if isinstance(tree, list):
            return [self._outside(each) for each in tree]
        if not isinstance(tree, dict):
            return tree
        told = {key: self._outside(value) for key, value in tree.items()}
        reference = told.get("reference")
        if isinstance(reference, str) and self._server and reference.startswith(self._server):
            told["reference"] = reference.removeprefix(self._server)
        return told

    def _name(self, reference: Json) -> str:
        meant = self._resources.get(reference.get("reference", ""), {})
        code = meant.get("code", {})
        return str(code.get("text", ""))


def _short(sentences: Sequence[str]) -> str:
    """As many sentences as there is room for; a first one that is too long is cut at a word."""
    first, *rest = dict.fromkeys(" ".join(each.split()) for each in sentences)
    if len(first) > LONGEST_SUMMARY:
        return first[: LONGEST_SUMMARY - 1].rpartition(" ")[0] + "…"
    for sentence in rest:
        if len(first) + 1 + len(sentence) > LONGEST_SUMMARY:
            break
        first = f"{first} {sentence}"
    return first
