"""Terminology that the written resources use: FHIR R4 system addresses and fixed codes.

Codes of one product, sign or measure (ATC, LOINC, SNOMED CT) are content and live in the
protocol's files; here is only what FHIR itself asks for and the two routes it is given by.
"""

from typing import Final

ATC: Final = "http://www.whocc.no/atc"
LOINC: Final = "http://loinc.org"
SNOMED: Final = "http://snomed.info/sct"
UCUM: Final = "http://unitsofmeasure.org"
URI: Final = "urn:ietf:rfc:3986"

CONDITION_CLINICAL: Final = "http://terminology.hl7.org/CodeSystem/condition-clinical"
CONDITION_VERIFICATION: Final = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
CONDITION_CATEGORY: Final = "http://terminology.hl7.org/CodeSystem/condition-category"
DOSE_RATE_TYPE: Final = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
GTS_ABBREVIATION: Final = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
PROVENANCE_AGENT: Final = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"

BIRTH_TIME: Final = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"
"""Extension of Patient.birthDate: the time of the birth."""

REFERRAL: Final = "3457005"
"""SNOMED CT: patient referral (procedure)."""
FOLLOW_UP: Final = "390906007"
"""SNOMED CT: follow-up encounter (procedure)."""

ANTIBACTERIALS: Final = "J01"
"""ATC group: antibacterials for systemic use."""

ROUTES: Final = {
    "oral": "26643006",
    "oromucosal": "372473007",
    "intramuscular": "78421000",
    "intravenous": "47625008",
    "tube": "127492001",
}
"""SNOMED CT code of each route that a medicine file may name."""

TIMES_A_DAY: Final = {1: "QD", 2: "BID", 3: "TID", 4: "QID"}
"""Timing.code for so many doses a day; it says the same as `repeat`."""

OWN_SYSTEMS: Final = (
    "finding", "classification", "formulation", "caution", "care", "override-reason", "card-topic",
)  # fmt: skip


def own_system(base: str, name: str) -> str:
    """Address of one of this service's own code systems.

    >>> own_system("http://cds-service.example/fhir", "finding")
    'http://cds-service.example/fhir/CodeSystem/finding'
    """
    return f"{base}/CodeSystem/{name}"


TIME: Final = ".time"
"""End of the linkId of the item below a question that says when it was so."""
SITE: Final = ".site"
"""End of the linkId of the item below a measurement that says where it was taken."""
GROUP: Final = "group."
"""What begins the linkId of a group of the questionnaire."""


def questionnaire_id(protocol_id: str) -> str:
    """Id of the questionnaire that asks what a protocol asks.

    >>> questionnaire_id("sick-young-infant")
    'sick-young-infant-questions'
    """
    return f"{protocol_id}-questions"


def plan_definition(base: str, protocol_id: str) -> str:
    """Canonical address of the protocol as a PlanDefinition."""
    return f"{base}/PlanDefinition/{protocol_id}"
