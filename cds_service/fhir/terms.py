"""Fixed codes of FHIR R4 and of the terminologies that the reader understands.

What is clinical (signs, measures, units, medicines) comes from the protocol's files. Here is what
says yes or no, what ends a condition, and where a temperature was taken.
"""

import re
from functools import lru_cache
from typing import Final

from msgspec import UnsetType

from cds_service.case import Answer
from cds_service.fhir.codes import CONDITION_CLINICAL, CONDITION_VERIFICATION, SNOMED

FINDING: Final = "/CodeSystem/finding"
"""End of the address of the service's own finding codes, whatever its base."""
CLASSIFICATION: Final = "/CodeSystem/classification"
"""End of the address of the service's own classes, whatever its base."""
FORMULATION: Final = "/CodeSystem/formulation"
"""End of the address of the service's own formulation codes, whatever its base."""

ANSWER: Final = "/CodeSystem/answer"
"""End of the address of the service's own three answers, whatever its base."""


def is_own(system: str | UnsetType, end: str) -> bool:
    """Whether a code system is the service's own one of that end, whatever its base.

    >>> is_own("http://tolm-ford.example/CodeSystem/finding/", FINDING)
    True
    """
    return isinstance(system, str) and system.rstrip("/").endswith(end)


YES_NO: Final = "http://terminology.hl7.org/CodeSystem/v2-0136"
ALLERGY_CLINICAL: Final = "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"
ALLERGY_VERIFICATION: Final = (
    "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
)

ANSWERS: Final = {
    (YES_NO, "Y"): Answer.YES,
    (YES_NO, "N"): Answer.NO,
    (SNOMED, "52101004"): Answer.YES,  # Present
    (SNOMED, "2667000"): Answer.NO,  # Absent
    (SNOMED, "373066001"): Answer.YES,  # Yes (from memory)
    (SNOMED, "373067005"): Answer.NO,  # No (from memory)
}

DATA_ABSENT: Final = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
"""Why there is no answer: whatever its code says, the question is open."""

NO_KNOWN_ALLERGY: Final = frozenset({"716186003", "409137002"})
"""SNOMED CT "no known allergy" and "no known drug allergy" (from memory)."""

AGE: Final = "30525-0"
"""LOINC: age."""

STATUS_CODES: Final = {
    CONDITION_CLINICAL: frozenset(
        {"active", "recurrence", "relapse", "inactive", "remission", "resolved"}
    ),
    ALLERGY_CLINICAL: frozenset({"active", "inactive", "resolved"}),
    CONDITION_VERIFICATION: frozenset(
        {
            "unconfirmed", "provisional", "differential", "confirmed", "refuted",
            "entered-in-error",
        }
    ),
    ALLERGY_VERIFICATION: frozenset({"unconfirmed", "confirmed", "refuted", "entered-in-error"}),
}  # fmt: skip
"""Codes of the status systems to which FHIR R4 binds Condition and AllergyIntolerance."""

ENDED: Final = frozenset({"inactive", "remission", "resolved"})
UNSURE: Final = frozenset({"unconfirmed", "provisional", "differential"})

SITE_BY_LOINC: Final = {
    "8328-7": "axillary",
    "8332-5": "rectal",  # from memory
    "8331-1": "oral",  # from memory
    "8333-7": "ear",  # tympanic (from memory)
}
"""LOINC codes of body temperature that say where it was taken."""

SITE_BY_SNOMED: Final = {
    "91470000": "axillary",  # Axillary region structure (from memory)
    "34402009": "rectal",  # Rectum structure (from memory)
    "74262004": "oral",  # Oral cavity structure (from memory)
    "117590005": "ear",  # Ear structure (from memory)
    "42859004": "ear",  # Tympanic membrane structure (from memory)
}

SITE_WORDS: Final = {
    "axillary": re.compile(r"\b(axill|armpit)"),
    "rectal": re.compile(r"\brect(al|um)\b"),
    "oral": re.compile(r"\b(oral|mouth)\b"),
    "ear": re.compile(r"\b(ears?\b|tympan)"),
}
"""English words that name a site, in lower case."""

_SPELLINGS: Final = {
    "kg": "kg kgs kilo kilos kilogram kilograms kilogramme kilogrammes",
    "g": "g gm gms gram grams gramme grammes",
    "mg": "mg milligram milligrams",
    "[lb_av]": "lb lbs pound pounds [lb_av]",
    "[oz_av]": "oz ounce ounces [oz_av]",
    "Cel": "c °c ℃ cel celsius degc",
    "[degF]": "f °f ℉ [degf] fahrenheit degf",
    "K": "k kelvin",
    "/min": "/min {breaths}/min breaths/min breaths/minute 1/min /minute bpm",
    "/s": "/s breaths/s breaths/second",
    "%": "% percent",
    "mmol/L": "mmol/l",
    "mg/dL": "mg/dl",
    "h": "h hr hrs hour hours",
    "d": "d day days",
    "wk": "wk wks week weeks",
    "mo": "mo mos month months",
    "a": "a yr yrs year years",
}
_UNIT: Final = {word: unit for unit, words in _SPELLINGS.items() for word in words.split()}


@lru_cache(maxsize=256)
def units_contradict(text: str, code: str) -> bool:
    """Whether the unit in words is another one than the UCUM code says.

    Words that are not known say nothing.

    >>> units_contradict("lbs", "kg"), units_contradict("Kilograms", "kg")
    (True, False)
    """
    named = _UNIT.get(text.strip().lower())
    return named is not None and named != _UNIT.get(code.lower(), code)


OTHER_SITE: Final = "other"
"""A site that was said but is not one of these: never taken for the armpit."""
