"""The note that travels with an infant who is referred: a FHIR R4 document.

documents.html: the first entry is the Composition, every reference between the parts resolves
inside, and what a person reads stands in the narrative of each section. What the answer to
`$apply` says of the referral is taken from it word for word; added is what was found and given.
Everything in it is a proposal or a copy of what was sent; the health worker signs.
"""

import json
from collections.abc import Iterable, Iterator
from decimal import Decimal
from html import escape
from typing import Any
from uuid import UUID

import orjson

from cds_service.case import Answer, Case, Measurement
from cds_service.content.model import Message
from cds_service.engine import fluid_words
from cds_service.engine.identity import uuid5
from cds_service.engine.model import Decision, FluidOrder, Order
from cds_service.engine.phrase import adapted, dosage, fact, moment
from cds_service.engine.trace import age_words
from cds_service.engine.words import reading
from cds_service.fhir.codes import ATC, LOINC, URI
from cds_service.fhir.write import write
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, exactly, quantity

# LOINC: referral note, as in the value set ReferralDocumentType of HL7 C-CDA on FHIR.
_KIND = {"coding": [{"system": LOINC, "code": "57133-1", "display": "Referral note"}]}


def write_note(decision: Decision, *, base: str, language: str) -> bytes:
    """The document Bundle as UTF-8 JSON; the parameters are those of `write`.

    It can be written whether or not a class asks for referral: a health worker may refer anyway.
    """
    return _Note(decision, base, language).written()


class _Note:
    def __init__(self, decision: Decision, base: str, language: str) -> None:
        self._decision, self._case, self._plan = decision, decision.case, decision.plan
        self._house = House.of(decision.protocol, base)
        self._space = UUID(decision.id).bytes
        answer = write(decision, base=base, language=language)
        entries = json.loads(answer, parse_float=Decimal)["entry"]
        self._answered: dict[str, Json] = {each["fullUrl"]: each["resource"] for each in entries}

    def written(self) -> bytes:
        sections = [section for section in self._sections() if section is not None]
        parts = [self._composition([section for section, _ in sections]), self._patient()]
        parts += [part for _, inside in sections for part in inside]
        bundle = {
            "resourceType": "Bundle",
            "id": self._id("referral-note"),
            "identifier": {"system": URI, "value": self._url("referral-note")},
            "type": "document",
            "timestamp": self._case.as_of.isoformat(),
            "entry": [{"fullUrl": f"urn:uuid:{part['id']}", "resource": part} for part in parts],
        }
        return orjson.dumps(exactly(self._inside(bundle)))

    def _composition(self, sections: list[Json]) -> Json:
        kind = "urgent" if self._plan.referral is not None else "assessment"
        return {
            "resourceType": "Composition",
            "id": self._id("note.composition"),
            "status": "preliminary",
            "type": _KIND,
            "subject": {"reference": self._url("note.patient")},
            "date": self._case.as_of.isoformat(),
            "author": [{"display": self._title("write.device")}],
            "title": self._title(f"note.title.{kind}"),
            "section": [self._decides(), *sections],
        }

    def _decides(self) -> Json:
        layer = map(self._text, adapted(self._decision.protocol))
        return self._section_of("note.decides", [self._title("write.proposal"), *layer], [])[0]

    def _patient(self) -> Json:
        """What the case knows of the infant; the caller's own record is named, nothing is added."""
        patient: Json = {"resourceType": "Patient", "id": self._id("note.patient")}
        if self._case.subject:
            system = f"{self._house.base}/sid/subject"
            patient["identifier"] = [{"system": system, "value": self._case.subject}]
        return patient | ({"gender": self._case.sex} if self._case.sex else {})

    def _sections(self) -> Iterator[tuple[Json, list[Json]] | None]:
        yield self._section("note.reasons", self._reasons(), self._of_type("Condition"))
        yield self._section("note.found", self._found(), list(self._observations()))
        yield self._section("note.absent", self._answered_with(Answer.NO), [])
        yield self._section("note.open", self._open(), [])
        yield self._section("note.given", self._given(), list(self._administrations()))
        due = [each for each in self._plan.orders if each.branch == "refer"]
        said = (self._text(_dosage(each)) for each in due)
        parts = [self._answered[self._url(f"order.{each.key}")] for each in due]
        yield self._section("note.before-referral", said, parts)
        fluids = [each for each in self._plan.fluids if each.branch == "refer"]
        told = (self._text(line) for each in fluids for line in _fluid(each))
        parts = [self._answered[self._url(f"fluid.{each.key}")] for each in fluids]
        yield self._section("note.fluids", told, parts)
        yield self._section("note.on-the-way", self._on_the_way(), [])
        here = {each.dose.medicine.code for each in self._plan.orders} - {
            each.dose.medicine.code for each in due
        }
        cautions = [each for each in self._plan.cautions if each.medicine not in here]
        yield self._section("note.cautions", (self._text(each.message) for each in cautions), [])

    def _on_the_way(self) -> Iterator[str]:
        """Care for the journey; that the assessment is to be finished is not for the hospital."""
        protocol = self._decision.protocol
        asking = (*protocol.unfinished, *protocol.unfinished_referral)
        left_out = {f"care.{item.code}" for item in asking}
        for each in self._plan.care:
            if each.branch in ("refer", "") and each.message.key not in left_out:
                yield self._text(each.message)

    def _section(
        self, key: str, lines: Iterable[str], parts: list[Json]
    ) -> tuple[Json, list[Json]] | None:
        said = list(dict.fromkeys(lines))  # a reason and a class may have the same words
        return self._section_of(key, said, parts) if said else None

    def _section_of(self, key: str, lines: list[str], parts: list[Json]) -> tuple[Json, list[Json]]:
        items = "".join(f"<li>{escape(line)}</li>" for line in lines)
        narrative = f'<div xmlns="http://www.w3.org/1999/xhtml"><ul>{items}</ul></div>'
        section: Json = {
            "title": self._title(key),
            "text": {"status": "generated", "div": narrative},
        }
        if parts:
            section["entry"] = [{"reference": f"urn:uuid:{part['id']}"} for part in parts]
        return section, parts

    def _reasons(self) -> Iterator[str]:
        for each in (self._plan.referral, self._plan.assessment_referral):
            yield from (self._text(reason) for reason in (each.reasons if each is not None else ()))
        if self._plan.referral is None and self._plan.assessment_referral is None:
            yield self._title("note.no-class-asks")
        held = self._decision.assessment.classes
        for found in held:
            if not found.no_illness:
                facts = [self._text(one.what) for one in found.tests if one.answer is Answer.YES]
                name = self._title(f"class.{found.code}")
                yield f"{name}: {'; '.join(facts)}" if facts else name
        for held_open in {code: None for found in held for code in found.open_above}:
            yield self._text(Message("undecided", (("class", Message(f"class.{held_open}")),)))

    def _found(self) -> Iterator[str]:
        if self._case.age is not None:
            age = Message("measure.age"), age_words(self._case.age)
            yield ": ".join(map(self._text, age))
        for each in self._case.measurements:
            name = self._text(fact(self._decision.protocol, each.kind))
            yield f"{name}: {reading(each.quantity)}{self._when(each.at)}"
        yield from self._answered_with(Answer.YES)

    def _answered_with(self, answer: Answer) -> Iterator[str]:
        for each in self._case.findings:
            if each.answer is answer:
                yield self._title(f"sign.{each.code}") + self._when(each.at)

    def _open(self) -> Iterator[str]:
        for missing in self._plan.missing:
            yield self._text(fact(self._decision.protocol, missing.code))

    def _given(self) -> Iterator[str]:
        for each in self._case.given:
            name = self._title(f"medicine.{each.medicine}")
            yield name + (self._when(each.at) or f", {self._title('note.no-time')}")
        for missed in self._case.missed:
            name = self._title(f"medicine.{missed.medicine}")
            yield f"{name}, {self._title('note.missed')}{self._when(missed.at)}"

    def _when(self, at: Any) -> str:
        return "" if at is None else f", {self._text(moment(at))}"

    def _observations(self) -> Iterator[Json]:
        for number, each in enumerate(self._case.measurements):
            yield self._observation(f"note.measurement.{number}", each.at) | {
                "code": {"coding": [{"system": LOINC, "code": self._loinc(each)}]},
                "valueQuantity": quantity(each.quantity),
            }
        for number, said in enumerate(self._case.findings):
            if said.answer is Answer.YES:
                yield self._observation(f"note.finding.{number}", said.at) | {
                    "code": {"coding": [self._house.own("finding", said.code)]},
                    "valueBoolean": True,
                }

    def _observation(self, role: str, at: Any) -> Json:
        timed = {} if at is None else {"effectiveDateTime": at.isoformat()}
        return {
            "resourceType": "Observation",
            "id": self._id(role),
            "status": "final",
            "subject": {"reference": self._url("note.patient")},
            **timed,
        }

    def _loinc(self, measured: Measurement) -> str:
        return self._decision.protocol.measure_by_code[measured.kind].loinc[0]

    def _administrations(self) -> Iterator[Json]:
        """The doses given; one without a time is told in words only, since FHIR asks for a time."""
        for number, each in enumerate(self._case.given):
            medicine = self._decision.protocol.medicine_by_code[each.medicine]
            if each.at is not None:
                yield {
                    "resourceType": "MedicationAdministration",
                    "id": self._id(f"note.given.{number}"),
                    "status": "completed",
                    "medicationCodeableConcept": {
                        "coding": [{"system": ATC, "code": medicine.atc}],
                        "text": self._title(f"medicine.{each.medicine}"),
                    },
                    "subject": {"reference": self._url("note.patient")},
                    "effectiveDateTime": each.at.isoformat(),
                }

    def _of_type(self, kind: str) -> list[Json]:
        return [each for each in self._answered.values() if each["resourceType"] == kind]

    def _inside(self, tree: Any) -> Any:
        """The tree with the infant named by the document's own Patient, and no way out of it.

        A reference to a resource of the caller, or to a part of the answer that does not travel,
        becomes its name.
        """
        own = {f"urn:uuid:{each['resource']['id']}" for each in tree["entry"]}
        return _relinked(tree, _names_of(self._case), self._url("note.patient"), own)

    def _id(self, role: str) -> str:
        return uuid5(self._space, role.encode()).decode()

    def _url(self, role: str) -> str:
        return f"urn:uuid:{self._id(role)}"

    def _text(self, message: Message) -> str:
        return self._house.text(message)

    def _title(self, key: str) -> str:
        return self._house.title(key)


def _fluid(order: FluidOrder) -> Iterator[Message]:
    """A fluid as lines of the note: what it is, then how much of it."""
    yield fluid_words.name(order)
    yield from fluid_words.how_much(order)


def _dosage(order: Order) -> Message:
    """The dose of an order as a line of the note: which product, how much, by which route."""
    form = Message(f"formulation.{order.dose.formulation.code}")
    return Message("note.dose", (("formulation", form), ("dosage", dosage(order))))


def _names_of(case: Case) -> frozenset[str]:
    return frozenset({case.subject, case.subject_origin.reference} - {""})


def _relinked(tree: Any, infant: frozenset[str], patient: str, own: set[str]) -> Any:
    if isinstance(tree, list):
        return [_relinked(each, infant, patient, own) for each in tree]
    if not isinstance(tree, dict):
        return tree
    target = tree.get("reference")
    if isinstance(target, str) and not target.startswith("#"):
        if target in infant:
            return {"reference": patient}
        if target not in own:
            return {"display": tree.get("display", target)}
    return {key: _relinked(value, infant, patient, own) for key, value in tree.items()}
