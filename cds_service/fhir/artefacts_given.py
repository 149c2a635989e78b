"""Profiles of what is given: the answer Bundle and the resources in it."""

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.artefacts_profile import (
    Element,
    Profile,
    absent,
    bound,
    coded,
    needed,
    structure,
)
from cds_service.fhir.codes import CONDITION_CATEGORY, REFERRAL, SNOMED, own_system
from cds_service.fhir.write_json import Json

_INTENT = "http://hl7.org/fhir/request-intent"
_DRAFT = {"fixedCode": "draft"}
_DATE_TIME = {"type": [{"code": "dateTime"}]}
_PROPOSAL = "proposal-intent-codes"

_PARTS = (
    ("guidance", "GuidanceResponse", 1, "1", "plan-guidance"),
    ("plan", "CarePlan", 1, "1", ""),
    ("actions", "RequestGroup", 1, "1", ""),
    ("class", "Condition", 0, "*", "infant-class"),
    ("medicine", "MedicationRequest", 0, "*", "proposed-medicine"),
    ("service", "ServiceRequest", 0, "*", ""),
    ("caregiver", "CommunicationRequest", 0, "*", ""),
    ("label", "DocumentReference", 1, "1", ""),
    ("caution", "DetectedIssue", 0, "*", "plan-caution"),
    ("made-by", "Provenance", 1, "1", ""),
)
"""Slice, type, how often, profile."""


def given(protocol: Protocol, base: str) -> list[Json]:
    """Profiles and value sets of what an answer holds."""
    profiles = (
        _answer(base), _guidance(protocol, base), _class(base), _medicine(base), _referral(base),
        _caution(base),
    )  # fmt: skip
    return [
        *(structure(protocol, base, each) for each in profiles),
        *(_whole(protocol, base, name) for name in ("caution", "care")),
        _intents(protocol, base),
    ]


def _answer(base: str) -> Profile:
    sliced = {
        "discriminator": [{"type": "type", "path": "resource"}],
        "description": "By the type of the resource.",
        "rules": "open",
    }
    elements = [
        Element("type", {"fixedCode": "collection"}),
        needed("entry", slicing=sliced),
        needed("entry.fullUrl"),
        needed("entry.resource"),
        absent("entry.request"),
    ]
    for name, kind, low, high, profile in _PARTS:
        of = {"code": kind}
        if profile:
            of["profile"] = [f"{base}/StructureDefinition/{profile}"]  # type: ignore[assignment]
        elements += [
            Element(f"entry:{name}", {"min": low, "max": high}),
            needed(f"entry:{name}.resource", type=[of]),
        ]
    about = "The answer of $apply: the guidance first, then the plan and what it names."
    return Profile("infant-plan", "Bundle", "Answer", about, elements)


def _guidance(protocol: Protocol, base: str) -> Profile:
    module = f"{base}/PlanDefinition/{protocol.id}|{protocol.name.partition('|')[2]}"
    elements = (
        needed("module[x]", type=[{"code": "canonical"}], patternCanonical=module),
        needed("subject"),
        needed("occurrenceDateTime"),
        needed("result"),
    )
    about = (
        "Whether the plan is complete: data-required while a required row is open or a dose "
        "lacks its weight, data-requested while something else should be asked."
    )
    return Profile("plan-guidance", "GuidanceResponse", "Guidance", about, elements)


def _class(base: str) -> Profile:
    category = coded(CONDITION_CATEGORY, "encounter-diagnosis")
    elements = (
        needed("clinicalStatus"),
        needed("verificationStatus"),
        needed("category", patternCodeableConcept=category),
        needed("code", binding=bound(base, "classification-codes")),
        needed("code.text"),
        needed("recordedDate"),
        needed("note"),
    )
    about = "A class that a table gives; provisional, differential while a row above is open."
    return Profile("infant-class", "Condition", "Class", about, elements)


def _medicine(base: str) -> Profile:
    elements = (
        needed("contained"),
        Element("status", _DRAFT),
        Element("intent", {"binding": bound(base, _PROPOSAL)}),
        absent("doNotPerform"),
        Element("medication[x]", {"type": [{"code": "Reference"}]}),
        needed("authoredOn"),
        needed("note"),
        needed("dosageInstruction"),
        needed("dosageInstruction.text"),
    )
    about = "A medicine or a fluid that is proposed, with its dose; never an order."
    return Profile("proposed-medicine", "MedicationRequest", "Proposed medicine", about, elements)


def _referral(base: str) -> Profile:
    elements = (
        Element("status", _DRAFT),
        Element("intent", {"binding": bound(base, _PROPOSAL)}),
        needed("category", patternCodeableConcept=coded(SNOMED, REFERRAL)),
        needed("priority"),
        needed("code", patternCodeableConcept=coded(SNOMED, REFERRAL)),
        needed("code.text"),
        needed("authoredOn"),
    )
    about = "A referral to a hospital or service that is proposed."
    return Profile("proposed-referral", "ServiceRequest", "Proposed referral", about, elements)


def _caution(base: str) -> Profile:
    elements = (
        Element("status", {"fixedCode": "final"}),
        needed("code", binding=bound(base, "caution-codes")),
        needed("severity"),
        needed("patient"),
        needed("identified[x]", **_DATE_TIME),
        needed("detail"),
    )
    about = "What the health worker must know beside the plan, or why something is not given."
    return Profile("plan-caution", "DetectedIssue", "Caution", about, elements)


def _whole(protocol: Protocol, base: str, name: str) -> Json:
    about = f"Every code of {name}. {words(protocol, 'artefact.draft')}"
    title = words(protocol, f"artefact.{name}.title")
    made = headed(protocol, base, "ValueSet", f"{name}-codes", title, about)
    return made | {"compose": {"include": [{"system": own_system(base, name)}]}}


def _intents(protocol: Protocol, base: str) -> Json:
    about = f"Proposed, or a member of a choice that is open. {words(protocol, 'artefact.draft')}"
    made = headed(protocol, base, "ValueSet", _PROPOSAL, "Intents of a proposal", about)
    concepts = [{"code": "proposal"}, {"code": "option"}]
    return made | {"compose": {"include": [{"system": _INTENT, "concept": concepts}]}}
