"""What every written resource needs: ids, references, texts, codes and exact numbers.

A `House` holds what is the same for every answer of one protocol and is kept between answers;
a `Pen` holds what is the same within one answer. Numbers are written from their Decimal, as
plain JSON numbers: FHIR R4, datatype `decimal`, whose precision must not be lost.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from hashlib import sha1
from typing import Any
from uuid import UUID

import orjson

from cds_service.case import Case, Origin
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Cite, Message
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine.model import Decision
from cds_service.engine.phrase import cited, number, unit_name
from cds_service.fhir.codes import (
    ATC,
    LOINC,
    OWN_SYSTEMS,
    SNOMED,
    UCUM,
    own_system,
    plan_definition,
)
from cds_service.quantity import Quantity

Json = dict[str, Any]

# In "refer-then-here" the referral stands, and only the care here depends on what becomes of it.
_OPEN = {("refer-or-here", "refer"), ("refer-or-here", "here"), ("refer-then-here", "here")}
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
        sources = {source.key: source for source in self.protocol.sources}
        for cite in dict.fromkeys(cites):
            evidence = self.title(f"evidence.{cite.evidence}")
            remark = f" {cite.note}" if cite.note else ""
            if not cite.sources:
                yield {"type": "citation", "display": f"{evidence}{remark}"}
            for key in cite.sources:
                source = sources[key]
                where = f" {source.locator}." if source.locator else ""
                words = f"{source.publisher}, {source.year}.{where} ({evidence}){remark}"
                entry = {
                    "type": "citation",
                    "label": key,
                    "display": source.title,
                    "citation": words,
                }
                yield entry | ({"url": source.url} if source.url else {})

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


_HOUSES: dict[tuple[int, str], House] = {}


@dataclass(frozen=True, slots=True)
class Item:
    """One written request with what the RequestGroup says about it."""

    resource: Json
    title: str
    branch: str
    cites: tuple[Cite, ...]
    key: str = ""
    instead_of: str = ""


@dataclass(frozen=True, slots=True)
class Pen:
    """What is the same within one answer."""

    house: House
    decision: Decision
    as_of: str
    who: Json
    """`subject` and, where the caller named one, `encounter`."""
    _space: bytes
    _ids: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, decision: Decision, base: str) -> "Pen":
        """Take up the pen for one decision."""
        house = House.of(decision.protocol, base)
        who = _who(decision.case, house.title("write.subject"))
        return cls(house, decision, decision.case.as_of.isoformat(), who, UUID(decision.id).bytes)

    def id(self, role: str) -> str:
        """The id of the resource that has this role in the answer."""
        known = self._ids.get(role)
        if known is None:
            known = self._ids[role] = uuid5(self._space, role)
        return known

    def ref(self, role: str) -> Json:
        """A reference to another resource of the answer."""
        return {"reference": f"urn:uuid:{self.id(role)}"}

    def start(self, kind: str, role: str) -> Json:
        """A resource of this kind with its id."""
        return {"resourceType": kind, "id": self.id(role)}

    def classes(self, codes: Sequence[str]) -> list[Json]:
        """References to the Conditions of these classes."""
        return [self.ref(f"class.{code}") for code in codes]

    def is_open(self, branch: str) -> bool:
        """Whether this branch is a member of a choice that is still open."""
        return (self.decision.plan.choice, branch) in _OPEN


def _who(case: Case, nameless: str) -> Json:
    subject = case.subject_origin.reference or case.subject
    who: Json = {"subject": {"reference": subject} if subject else {"display": nameless}}
    if case.encounter:
        who["encounter"] = {"reference": case.encounter}
    return who


def uuid5(space: bytes, name: str) -> str:
    """UUID version 5 (RFC 9562) of a name; the same text as `uuid.uuid5`, in half the time.

    >>> uuid5(UUID(int=0).bytes, "order.amoxicillin")
    '76aa909c-e134-5b98-b9fa-74eeb5466c44'
    """
    text = sha1(space + name.encode(), usedforsecurity=False).hexdigest()
    variant = "89ab"[int(text[16], 16) & 3]
    return f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{variant}{text[17:20]}-{text[20:32]}"


def exact(value: Decimal) -> int | orjson.Fragment:
    """A Decimal as a JSON number without exponent and without loss.

    >>> orjson.dumps([exact(Decimal("1.50")), exact(Decimal("1E+2"))])
    b'[1.5,100]'
    """
    text = number(value)
    return orjson.Fragment(text) if "." in text else int(text)


def as_fragment(part: Json | list[Json]) -> orjson.Fragment:
    """A part that is the same in many answers, as the bytes it will be."""
    return orjson.Fragment(orjson.dumps(part))


def quantity(amount: Quantity) -> Json:
    """A FHIR Quantity in UCUM."""
    return counted(exact(amount.value), amount.unit)


def counted(value: int | orjson.Fragment, unit: str) -> Json:
    """A FHIR Quantity of a ready JSON number in UCUM."""
    return {"value": value, "unit": unit_name(unit), "system": UCUM, "code": unit}


def references(origins: Iterable[Origin], nameless: str) -> list[Json]:
    """References to the caller's resources, each once; one that has no address gets a name."""
    found = dict.fromkeys(origin.reference for origin in origins)
    return [{"reference": known} if known else {"display": nameless} for known in found]
