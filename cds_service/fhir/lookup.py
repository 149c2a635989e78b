"""What a code means under one protocol: dictionaries made once, when the protocol is loaded."""

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

from msgspec import UNSET, UnsetType

from cds_service.content.model import Measure, Sign
from cds_service.content.treatment import Protocol
from cds_service.fhir import terms
from cds_service.fhir.codes import ATC, LOINC, SNOMED
from cds_service.fhir.wire import Coding, Concept


@dataclass(frozen=True, slots=True)
class Kind:
    """A measured kind with what is needed to judge a value."""

    measure: Measure
    low: Decimal
    high: Decimal


@dataclass(frozen=True, slots=True)
class Unknown:
    """A code of an own code system that is not in it."""

    code: str


@dataclass(frozen=True, slots=True)
class AgeCode:
    """The code of a measured age."""


Meaning = Kind | Sign | AgeCode | Unknown


@dataclass(frozen=True, slots=True)
class Lookup:
    """The codes that one protocol understands, by system."""

    protocol: Protocol
    findings: dict[str, Meaning]
    by_system: dict[str | UnsetType, dict[str | UnsetType, Meaning]]
    allergies: tuple[Sign, ...]
    by_atc: dict[str, str]
    by_formulation: dict[str, str]
    age_limit: int
    """Days: the first age that this protocol is not for."""
    visit_length: timedelta

    def meanings(self, concept: Concept) -> list[Meaning]:
        """What the codings of a concept mean here, each once; codes of others say nothing."""
        if concept.coding is UNSET:
            return []
        found: list[Meaning] = []
        for coding in concept.coding:
            codes = self.by_system.get(coding.system)
            meaning = self._own(coding) if codes is None else codes.get(coding.code)
            if meaning is not None and (not found or meaning not in found):
                found.append(meaning)
        return found

    def _own(self, coding: Coding) -> Meaning | None:
        system, code = coding.system, coding.code
        if system is UNSET or code is UNSET or not system.endswith(terms.FINDING):
            return None
        return self.findings.get(code) or Unknown(code)

    def allergy_signs(self, concept: Concept) -> list[str]:
        """The allergy signs that an allergy to this substance answers."""
        found = [one.code for one in self.meanings(concept) if isinstance(one, Sign)]
        for coding in concept.codings():
            for sign in self.allergies:
                if sign.code not in found and _names(sign, coding):
                    found.append(sign.code)
        return found

    def medicine(self, concept: Concept) -> str | None:
        """The code of the medicine; None when no coding, or more than one medicine, is meant."""
        found = {code for coding in concept.codings() if (code := self._medicine(coding))}
        return found.pop() if len(found) == 1 else None

    def _medicine(self, coding: Coding) -> str | None:
        if coding.system is UNSET or coding.code is UNSET:
            return None
        if coding.system == ATC:
            return self.by_atc.get(coding.code)
        if coding.system.endswith(terms.FORMULATION):
            return self.by_formulation.get(coding.code)
        return None


def _names(sign: Sign, coding: Coding) -> bool:
    if coding.system == SNOMED:
        return coding.code in sign.allergy_snomed
    if coding.system != ATC or coding.code is UNSET:
        return False
    return coding.code.startswith(sign.allergy_atc)


def make(protocol: Protocol) -> Lookup:
    """Make the dictionaries of one protocol."""
    loinc: dict[str | UnsetType, Meaning] = {terms.AGE: AgeCode()}
    for measure in protocol.measures:
        loinc |= dict.fromkeys(_loinc(measure), _kind(measure))
    snomed: dict[str | UnsetType, Meaning] = {}
    for sign in protocol.signs:
        snomed |= dict.fromkeys(sign.snomed, sign)
    return Lookup(
        protocol,
        findings={sign.code: sign for sign in protocol.signs},
        by_system={LOINC: loinc, SNOMED: snomed},
        allergies=tuple(sign for sign in protocol.signs if sign.allergy_snomed or sign.allergy_atc),
        by_atc={medicine.atc: medicine.code for medicine in protocol.medicines},
        by_formulation={form.code: medicine.code for medicine, form in protocol.formulations},
        age_limit=int(protocol.age_below.quantity.to("d").value),
        visit_length=timedelta(minutes=int(protocol.visit_length.quantity.to("min").value)),
    )


def _kind(measure: Measure) -> Kind:
    low, high = (limit.quantity.to(measure.unit).value for limit in measure.possible)
    return Kind(measure, low, high)


def _loinc(measure: Measure) -> tuple[str, ...]:
    # A measure whose site matters is also read from the LOINC codes that name another site.
    return (*measure.loinc, *(terms.SITE_BY_LOINC if measure.sites_that_exclude else ()))


_made: dict[str, Lookup] = {}
_KEPT = 16


def of(protocol: Protocol) -> Lookup:
    """The dictionaries of a protocol, made at the first call and kept."""
    lookup = _made.get(protocol.digest)
    if lookup is None or lookup.protocol is not protocol:
        if len(_made) >= _KEPT:
            _made.clear()
        lookup = _made[protocol.digest] = make(protocol)
    return lookup
