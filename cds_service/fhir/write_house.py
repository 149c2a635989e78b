"""What is the same for every answer of one protocol, and is kept between answers.

Texts, citations and contained Medications are made once; what is kept is bounded, and a kept
part is told apart by everything that it depends on, so that keeping it changes no answer.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field

import orjson

from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Cite, Message, Source
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import cited
from cds_service.fhir.codes import ATC, LOINC, OWN_SYSTEMS, SNOMED, own_system, plan_definition
from cds_service.fhir.write_json import Json, as_fragment, quantity

_KEPT_TEXTS = 4096
_KEPT_HOUSES = 8  # protocols x bases in one process: in practice one or two


@dataclass(frozen=True, slots=True)
class House:
    """The constant parts of every answer of one protocol under one canonical base."""

    protocol: Protocol
    base: str
    canonical: str
    systems: dict[str, str]
    _kept: dict[Hashable, str] = field(default_factory=dict)
    _citations: dict[tuple[Cite, ...], orjson.Fragment] = field(default_factory=dict)
    _medications: dict[str, orjson.Fragment] = field(default_factory=dict)
    _asked: dict[str, orjson.Fragment] = field(default_factory=dict)

    @classmethod
    def of(cls, protocol: Protocol, base: str) -> "House":
        """The house of this protocol object, made once."""
        kept = _HOUSES.get((id(protocol), base))
        # The house holds its protocol, so a kept id cannot belong to another object.
        if kept is not None:
            return kept
        if len(_HOUSES) >= _KEPT_HOUSES:
            _HOUSES.clear()
        house = cls(
            protocol,
            base,
            f"{plan_definition(base, protocol.id)}|{protocol.version}",
            {name: own_system(base, name) for name in OWN_SYSTEMS},
        )
        return _HOUSES.setdefault((id(protocol), base), house)

    def text(self, message: Message) -> str:
        """The words of a message; looking them up is quicker than filling them in again."""
        return self._kept.get(message) or self._keep(message, message)

    def title(self, key: str) -> str:
        """The words of a text without placeholders."""
        return self._kept.get(key) or self._keep(key, Message(key))

    def cited(self, cite: Cite) -> str:
        """The sources and evidence of a cite, in short."""
        return self._kept.get(cite) or self._keep(cite, cited(cite))

    def source(self, cite: Cite) -> str:
        """The same as a sentence."""
        return self.kept(
            ("source", cite), lambda: Message("source-told", (("cited", cited(cite)),))
        )

    def kept(self, key: Hashable, make: Callable[[], Message]) -> str:
        """The words of a message that `key` tells apart from every other, made once."""
        return self._kept.get(key) or self._keep(key, make())

    def _keep(self, key: Hashable, message: Message) -> str:
        if len(self._kept) >= _KEPT_TEXTS:
            self._kept.clear()
        words = self._kept[key] = render(self.protocol, message)
        return words

    def own(self, name: str, code: str) -> Json:
        """A Coding in one of this service's own code systems."""
        return {"system": self.systems[name], "code": code}

    def citations(self, *cites: Cite) -> orjson.Fragment:
        """The sources of these cites as RelatedArtifacts of type citation, each once."""
        known = self._citations.get(cites)
        if known is None:
            known = as_fragment(list(self._cite(cites)))
            self._citations[cites] = known
        return known

    def _cite(self, cites: Iterable[Cite]) -> Iterable[Json]:
        told: dict[str, list[str]] = {}
        for cite in dict.fromkeys(cites):
            said = " ".join(filter(None, (self.title(f"evidence.{cite.evidence}"), cite.note)))
            for key in cite.sources or ("",):
                told.setdefault(key, []).append(said)
        sources = {source.key: source for source in self.protocol.sources}
        for key, said_of in told.items():
            said = "; ".join(dict.fromkeys(said_of))
            yield _citation(sources[key], said) if key else {"type": "citation", "display": said}

    def requirement(self, code: str) -> orjson.Fragment:
        """What a system is asked for: the Observation of a sign or measure, or the birth date."""
        known = self._asked.get(code)
        if known is None:
            known = self._asked[code] = as_fragment(self._requirement(code))
        return known

    def _requirement(self, code: str) -> Json:
        if code == "age":
            return {"type": "Patient", "mustSupport": ["birthDate"]}
        measure = self.protocol.measure_by_code.get(code)
        loinc = measure.loinc if measure is not None else ()
        codes = [{"system": LOINC, "code": each} for each in loinc] or [self.own("finding", code)]
        asked = {"path": "code", "code": codes}
        return {"type": "Observation", "mustSupport": ["value"], "codeFilter": [asked]}

    def medication(self, medicine: Medicine, form: Formulation) -> orjson.Fragment:
        """The contained Medication: what it is, its form, its strength as measured out."""
        known = self._medications.get(form.code)
        if known is None:
            known = as_fragment(self._medication(medicine, form))
            self._medications[form.code] = known
        return known

    def _medication(self, medicine: Medicine, form: Formulation) -> Json:
        substance = self.title(f"medicine.{medicine.code}")
        coding = {"system": ATC, "code": medicine.atc, "display": substance}
        product = self.own("formulation", form.code)
        shape: Json = {"text": self.title(f"form.{form.form}")}
        if form.form_snomed:
            shape = {"coding": [{"system": SNOMED, "code": form.form_snomed}]} | shape
        ingredient = {"coding": [coding], "text": substance}
        ratio = {"numerator": quantity(form.substance), "denominator": quantity(form.per)}
        return {
            "resourceType": "Medication",
            "id": "medication",
            "code": {"coding": [coding, product], "text": self.title(f"formulation.{form.code}")},
            "form": shape,
            "ingredient": [{"itemCodeableConcept": ingredient, "strength": ratio}],
        }


def _citation(source: Source, said: str) -> Json:
    entry = {
        "type": "citation",
        "label": source.key,
        "display": source.title,
        "citation": f"{source.publisher}, {source.year} ({said})",
    }
    return entry | ({"url": source.url} if source.url else {})


_HOUSES: dict[tuple[int, str], House] = {}
