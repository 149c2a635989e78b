"""What is the same for every answer of one protocol, and is kept between answers.

Texts and templates are made once. What is kept is bounded, and a kept part is told apart by
everything that it depends on, so that keeping it changes no answer.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from cds_service.content.catalogue import ENGLISH
from cds_service.content.memo import Memo
from cds_service.content.model import Cite, Message, Source
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import cited
from cds_service.fhir.codes import OWN_SYSTEMS, own_system, plan_definition
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_template import escaped

_Made = TypeVar("_Made")


class _Parts(Memo):
    """Texts and templates of single resources, of at most some three thousand bytes each."""

    LIMIT = 1024


class _Sheets(Memo):
    """Templates of whole answers, of some twenty thousand bytes each."""

    LIMIT = 256


@dataclass(frozen=True, slots=True)
class House:
    """The constant parts of every answer of one protocol under one canonical base."""

    protocol: Protocol
    base: str
    canonical: str
    systems: dict[str, str]
    language: str = ENGLISH
    """That of what the caregiver hears or reads; all else is English."""
    parts: Memo = field(default_factory=_Parts)
    """Texts and templates of single resources."""
    sheets: Memo = field(default_factory=_Sheets)
    """Templates of whole answers, by the shape of the plan."""

    @classmethod
    def of(cls, protocol: Protocol, base: str, language: str = ENGLISH) -> "House":
        """The house of this protocol and language, made once."""
        key = ("house", base, language)
        known: House | None = protocol.made.get(key)
        if known is None:
            canonical = f"{plan_definition(base, protocol.id)}|{protocol.version}"
            systems = {name: own_system(base, name) for name in OWN_SYSTEMS}
            known = protocol.made[key] = cls(protocol, base, canonical, systems, language)
        return known

    def kept(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """What `make` gives, made once for a key that tells it apart from all else."""
        known: _Made | None = self.parts[key]
        if known is None:
            known = self.parts[key] = make()
        return known

    def words(self, message: Message) -> bytes:
        """The words of a message, to go into a blank; looking them up is quicker than filling."""
        known: bytes | None = self.parts[message]
        if known is None:
            known = self.parts[message] = escaped(self.text(message))
        return known

    @property
    def is_reviewed(self) -> bool:
        """Whether a reviewer stands by the translations of this language."""
        return bool(self.protocol.catalogue_by_language[self.language].reviewed_by)

    def text(self, message: Message) -> str:
        """The English words of a message."""
        return render(self.protocol, message)

    def title(self, key: str) -> str:
        """The words of a text without placeholders."""
        return render(self.protocol, Message(key))

    def source(self, cite: Cite) -> str:
        """The sources and evidence of a cite as a sentence."""
        return self.text(Message("source-told", (("cited", cited(cite)),)))

    def own(self, name: str, code: str) -> Json:
        """A Coding in one of this service's own code systems."""
        return {"system": self.systems[name], "code": code}

    def citations(self, cites: Iterable[Cite]) -> list[Json]:
        """The sources of these cites as RelatedArtifacts of type citation, each once."""
        told: dict[str, list[str]] = {}
        for cite in dict.fromkeys(cites):
            said = " ".join(filter(None, (self.title(f"evidence.{cite.evidence}"), cite.note)))
            for key in cite.sources or ("",):
                told.setdefault(key, []).append(said)
        sources = {source.key: source for source in self.protocol.sources}
        return [
            _citation(sources.get(key), "; ".join(dict.fromkeys(said)))
            for key, said in told.items()
        ]


def _citation(source: Source | None, said: str) -> Json:
    if source is None:
        return {"type": "citation", "display": said}
    entry = {
        "type": "citation",
        "label": source.key,
        "display": source.title,
        "citation": f"{source.imprint} ({said})",
    }
    return entry | ({"url": source.url} if source.url else {})
