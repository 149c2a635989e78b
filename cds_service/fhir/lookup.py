"""What a code means under one protocol: dictionaries made once, when the protocol is loaded."""

import re
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
    ends: dict[str, tuple[Decimal, Decimal]]
    """The lowest and the highest possible value, by the unit in which a value is kept."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """A code of an own code system that is not in it."""

    code: str


@dataclass(frozen=True, slots=True)
class AgeCode:
    """The code of a measured age."""


Meaning = Kind | Sign | AgeCode | Unknown


def about(meaning: Meaning) -> tuple[str, ...]:
    """The code of the sign or measure that is meant; none for an age and for an unknown code."""
    if isinstance(meaning, Sign):
        return (meaning.code,)
    return (meaning.measure.code,) if isinstance(meaning, Kind) else ()


@dataclass(frozen=True, slots=True)
class Lookup:
    """The codes that one protocol understands, by system."""

    protocol: Protocol
    findings: dict[str, Meaning]
    by_system: dict[str | UnsetType, dict[str | UnsetType, Meaning]]
    classes: frozenset[str]
    """The classes that the protocol's tables give."""
    by_words: dict[str, str]
    """Signs and measures by their code and by their English text, in lower case."""
    allergies: tuple[Sign, ...]
    allergy_words: tuple[tuple[str, re.Pattern[str]], ...]
    """Allergy signs with the words of which one is enough."""
    interacting: tuple[Sign, ...]
    """Signs that a product in use answers."""
    interacting_words: tuple[tuple[str, re.Pattern[str]], ...]
    by_atc: dict[str, str]
    by_atc_group: dict[str, tuple[str, ...]]
    """Medicines by the ATC group of their substance (level 4)."""
    by_formulation: dict[str, str]
    medicine_stems: tuple[tuple[str, re.Pattern[str]], ...]
    """How the name of a medicine begins in other spellings and languages (gentamicine)."""
    medicine_names: tuple[tuple[str, re.Pattern[str]], ...]
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
        if system is UNSET or code is UNSET:
            return None
        if not system.endswith(terms.FINDING) and not terms.is_own(system, terms.FINDING):
            return None
        return self.findings.get(code) or Unknown(code)

    def named(self, concept: Concept) -> str:
        """The sign or measure whose code or English text a concept without coding is; or ""."""
        if concept.coding is not UNSET or concept.text is UNSET:
            return ""
        return self.by_words.get(concept.text.strip().lower(), "")

    def about(self, concept: Concept) -> tuple[str, ...]:
        """The signs and measures that a concept means or names."""
        codes = [code for meaning in self.meanings(concept) for code in about(meaning)]
        named = self.named(concept)
        return (*codes, named) if named else tuple(codes)

    def allergy_signs(self, concept: Concept) -> list[str]:
        """The allergy signs that an allergy to this coded substance answers."""
        found = [one.code for one in self.meanings(concept) if isinstance(one, Sign)]
        for coding in concept.codings():
            for sign in self.allergies:
                if sign.code not in found and _names(sign, coding):
                    found.append(sign.code)
        return found

    def allergy_signs_named(self, words: str) -> list[str]:
        """The allergy signs of which a word stands in a text in lower case."""
        return [code for code, form in self.allergy_words if form.search(words)]

    def medicine_signs(self, concept: Concept, display: str = "") -> tuple[str, ...]:
        """The signs that a product in use answers: by its ATC code, without one by its words."""
        codes = [one.code for one in concept.codings() if one.system == ATC]
        atc = [code for code in codes if isinstance(code, str)]
        if not atc:
            words = f"{concept.words()} {display.lower()}"
            return tuple(code for code, form in self.interacting_words if form.search(words))
        # A group that holds one of the protocol's own medicines may mean that one.
        others = [code for code in atc if not any(own.startswith(code) for own in self.by_atc)]
        return tuple(
            sign.code
            for sign in self.interacting
            if any(code.startswith(sign.medicine_atc) for code in others)
        )

    def medicines(self, concept: Concept, display: str = "") -> tuple[str, ...]:
        """The medicines that may be meant: one is understood, several are not told apart.

        The codings say more than the words, and these more than an ATC group of several.
        """
        groups = [self._medicines(coding) for coding in concept.codings()]
        found = {group[0] for group in groups if len(group) == 1}
        if not found:
            words = f"{concept.words()} {display.lower()}"
            found = {code for code, form in self.medicine_names if form.search(words)}
        return tuple(sorted(found or {code for group in groups for code in group}))

    def may_be(self, concept: Concept, display: str = "") -> tuple[str, ...]:
        """The medicines that words may mean which are not quite their names."""
        words = f"{concept.words()} {display.lower()}"
        return tuple(code for code, form in self.medicine_stems if form.search(words))

    def _medicines(self, coding: Coding) -> tuple[str, ...]:
        code = coding.code
        if code is UNSET:
            return ()
        if coding.system == ATC:
            # Another substance of the group stands for the protocol's own: it acts like it.
            exact = self.by_atc.get(code)
            return (exact,) if exact else self.by_atc_group.get(code[:_ATC_GROUP], ())
        if terms.is_own(coding.system, terms.FORMULATION):
            exact = self.by_formulation.get(code)
            return (exact,) if exact else ()
        return ()


def _names(sign: Sign, coding: Coding) -> bool:
    if coding.system == SNOMED:
        return coding.code in sign.allergy_snomed
    if coding.system != ATC or coding.code is UNSET:
        return False
    return coding.code.startswith(sign.allergy_atc)


_ATC_GROUP = 5
"""Letters of an ATC code down to level 4, the chemical subgroup."""


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
        classes=frozenset(protocol.row_by_code),
        by_system={LOINC: loinc, SNOMED: snomed},
        by_words=_by_words(protocol),
        allergies=tuple(
            sign
            for sign in protocol.signs
            if sign.allergy_snomed or sign.allergy_atc or sign.allergy_words
        ),
        allergy_words=tuple(
            (sign.code, _any_word(sign.allergy_words))
            for sign in protocol.signs
            if sign.allergy_words
        ),
        interacting=tuple(sign for sign in protocol.signs if sign.medicine_atc),
        interacting_words=tuple(
            (sign.code, _any_word(sign.medicine_words))
            for sign in protocol.signs
            if sign.medicine_words
        ),
        by_atc={medicine.atc: medicine.code for medicine in protocol.medicines},
        by_atc_group=_groups(protocol),
        medicine_names=tuple(
            (one.code, _any_word((protocol.text_by_key[f"medicine.{one.code}"].lower(),)))
            for one in protocol.medicines
        ),
        medicine_stems=tuple(
            (one.code, re.compile(rf"\b{re.escape(_stem(protocol, one.code))}"))
            for one in protocol.medicines
        ),
        by_formulation={form.code: medicine.code for medicine, form in protocol.formulations},
        age_limit=int(protocol.age_limit),
        visit_length=protocol.visit_time,
    )


_STEM = 7
"""Letters by which the name of a medicine is known again."""


def _stem(protocol: Protocol, medicine: str) -> str:
    return protocol.text_by_key[f"medicine.{medicine}"].lower()[:_STEM]


def _by_words(protocol: Protocol) -> dict[str, str]:
    named = [(sign.code, f"sign.{sign.code}") for sign in protocol.signs]
    named += [(measure.code, f"measure.{measure.code}") for measure in protocol.measures]
    texts = protocol.text_by_key
    found = {texts[key].lower(): code for code, key in named if key in texts}
    return found | {code: code for code, _ in named}


def _groups(protocol: Protocol) -> dict[str, tuple[str, ...]]:
    groups: dict[str, tuple[str, ...]] = {}
    for medicine in protocol.medicines:
        group = medicine.atc[:_ATC_GROUP]
        groups[group] = (*groups.get(group, ()), medicine.code)
    return groups


def _any_word(words: tuple[str, ...]) -> re.Pattern[str]:
    """Any of these as a whole word, or its plural."""
    return re.compile(rf"\b(?:{'|'.join(map(re.escape, words))})s?\b")


def _kind(measure: Measure) -> Kind:
    kept = {measure.kept_in(unit) for unit in measure.units}
    return Kind(measure, {unit: measure.ends(unit) for unit in kept})


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
