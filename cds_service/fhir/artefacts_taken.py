"""Profiles of what is taken: the infant, a finding, and each measure with its units."""

from cds_service.content.model import Measure
from cds_service.content.treatment import Protocol
from cds_service.fhir import terms
from cds_service.fhir.artefacts_base import headed, words
from cds_service.fhir.artefacts_profile import (
    Element,
    Profile,
    absent,
    bound,
    needed,
    structure,
)
from cds_service.fhir.codes import UCUM
from cds_service.fhir.write_json import Json

_STATUS = "http://hl7.org/fhir/observation-status"
_USABLE = ("preliminary", "final", "amended", "corrected")
# Whatever could change the meaning of the whole is not read over.
_PLAIN = (absent("implicitRules"), absent("modifierExtension"))
_TIMES = {"type": [{"code": code} for code in ("dateTime", "instant", "Period")]}


def taken(protocol: Protocol, base: str) -> list[Json]:
    """Profiles and value sets of what a request may hold."""
    profiles = [
        _infant(),
        _finding(base),
        *(_measured(protocol, base, m) for m in protocol.measures),
    ]
    return [
        *(structure(protocol, base, each) for each in profiles),
        _codes(protocol, base, "usable-status-codes", "Usable status", {_STATUS: _USABLE}),
        _codes(protocol, base, "coded-answer-codes", "Yes and no, coded", _answers()),
        *(
            _codes(protocol, base, f"{m.code}-units", f"Units of {m.code}", {UCUM: m.units})
            for m in protocol.measures
        ),
    ]


def measured_id(measure: Measure) -> str:
    """Id of the profile of a measure."""
    return f"infant-{measure.code}"


def _infant() -> Profile:
    about = (
        "The infant, alive. Without a birth date send the age as an Observation (LOINC "
        f"{terms.AGE}); without both the age is unknown."
    )
    alive = Element("deceased[x]", {"type": [{"code": "boolean"}], "fixedBoolean": False})
    supported = [Element(name, {"mustSupport": True}) for name in ("gender", "birthDate")]
    return Profile("sick-infant", "Patient", "Infant", about, (*_PLAIN, *supported, alive))


def _finding(base: str) -> Profile:
    about = (
        "One question about a sign and its answer. Without a value, with dataAbsentReason, it "
        "was not assessed, and is never taken as no."
    )
    value = {
        "type": [{"code": "boolean"}, {"code": "CodeableConcept"}],
        "binding": bound(base, "coded-answer-codes"),
    }
    elements = (
        *_observed(base, "finding-codes"),
        Element("value[x]", value),
        Element("dataAbsentReason", {"mustSupport": True}),
    )
    return Profile("infant-finding", "Observation", "Finding", about, elements)


def _measured(protocol: Protocol, base: str, measure: Measure) -> Profile:
    low, high = (f"{limit.value} {limit.unit}" for limit in measure.possible)
    about = f"One measured value with its UCUM unit, possible from {low} to {high}."
    if measure.not_used_from is not None:
        limit = measure.not_used_from.quantity
        about += f" From {limit} up it is not used: most likely the number is of another unit."
    value = {"type": [{"code": "Quantity"}], "binding": bound(base, f"{measure.code}-units")}
    elements = (
        *_observed(base, f"{measure.code}-codes"),
        Element("value[x]", value),
        needed("value[x].value"),
        absent("value[x].comparator"),
        needed("value[x].system", fixedUri=UCUM),
        needed("value[x].code"),
    )
    title = words(protocol, f"measure.{measure.code}")
    return Profile(measured_id(measure), "Observation", title, about, elements)


def _observed(base: str, codes: str) -> tuple[Element, ...]:
    return (
        *_PLAIN,
        Element("status", {"binding": bound(base, "usable-status-codes")}),
        Element("code", {"binding": bound(base, codes)}),
        needed("subject"),
        needed("subject.reference"),
        Element("effective[x]", _TIMES),
    )


def _answers() -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for system, code in terms.ANSWERS:
        found[system] = (*found.get(system, ()), code)
    return found


def _codes(
    protocol: Protocol, base: str, name: str, title: str, codes: dict[str, tuple[str, ...]]
) -> Json:
    about = f"The codes that are read. {words(protocol, 'artefact.draft')}"
    include = [
        {"system": system, "concept": [{"code": code} for code in each]}
        for system, each in codes.items()
    ]
    made = headed(protocol, base, "ValueSet", name, title, about)
    return made | {"compose": {"include": include}}
