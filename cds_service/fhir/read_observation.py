"""Observations: findings, measurements and measured ages."""

from datetime import datetime

from msgspec import UNSET

from cds_service.case import Answer, Finding, Measurement
from cds_service.content.model import Sign
from cds_service.fhir import terms
from cds_service.fhir.codes import LOINC, SNOMED, UCUM
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.lookup import AgeCode, Kind, Unknown
from cds_service.fhir.read_age import read_age
from cds_service.fhir.read_body import printable
from cds_service.fhir.read_visit import moment
from cds_service.fhir.wire import Concept
from cds_service.fhir.wire_resources import Observation
from cds_service.quantity import Quantity, plain

_USABLE = frozenset({"final", "amended", "corrected", "preliminary"})


def read_observation(sent: Sent[Observation], context: Context) -> None:
    """Add what an Observation says to the facts, or the reason why it is refused."""
    observation, facts = sent.resource, context.facts
    meaning = _meaning(sent, context)
    if meaning is None:
        return
    if observation.status not in _USABLE:
        facts.refuse("status-not-usable", sent.origin, status=observation.status)
        return
    if observation.effective_timing is not UNSET:
        facts.refuse("time-not-understood", sent.origin)
        return
    exact = observation.effective_date_time
    if exact is UNSET:
        exact = observation.effective_instant
    when = moment(exact, observation.effective_period)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        facts.refuse("future", sent.origin)
        return
    if isinstance(meaning, Kind):
        _measurement(sent, at, meaning, facts)
    elif isinstance(meaning, Sign):
        _finding(sent, at, meaning, facts)
    else:
        read_age(sent, at, context)


def _meaning(sent: Sent[Observation], context: Context) -> Kind | Sign | AgeCode | None:
    """The one thing that the code means here; None when it is not ours, or is refused."""
    meanings = context.lookup.meanings(sent.resource.code)
    if len(meanings) == 1 and not isinstance(meanings[0], Unknown):
        return meanings[0]
    known: list[Kind | Sign | AgeCode] = []
    for meaning in meanings:
        if isinstance(meaning, Unknown):
            context.facts.refuse("finding-unknown", sent.origin, code=printable(meaning.code))
        else:
            known.append(meaning)
    if len(known) > 1:
        context.facts.refuse("code-ambiguous", sent.origin)
    return known[0] if len(known) == 1 else None


def _finding(sent: Sent[Observation], at: datetime | None, sign: Sign, facts: Facts) -> None:
    answer = _answer(sent.resource)
    if answer is None:
        missing = sent.resource.values().count(UNSET) == len(sent.resource.values())
        facts.refuse("value-missing" if missing else "answer-not-understood", sent.origin)
        return
    preliminary = sent.resource.status == "preliminary"
    facts.findings.append(Finding(sign.code, answer, at, sent.origin, preliminary))


def _answer(observation: Observation) -> Answer | None:
    if observation.value_boolean is not UNSET:
        return Answer.YES if observation.value_boolean else Answer.NO
    if observation.data_absent_reason is not UNSET:
        return Answer.NOT_ASSESSED
    if observation.value_codeable_concept is UNSET:
        return None
    codings = observation.value_codeable_concept.codings()
    # More than one answer at once is none.
    keys = [(coding.system, coding.code) for coding in codings]
    answers = {terms.ANSWERS[key] for key in keys if key in terms.ANSWERS}
    return answers.pop() if len(answers) == 1 else None


def _measurement(sent: Sent[Observation], at: datetime | None, kind: Kind, facts: Facts) -> None:
    observation = sent.resource
    if observation.data_absent_reason is not UNSET:
        return
    quantity = _quantity(sent, kind, facts)
    if quantity is None:
        return
    site = _site(observation) if kind.measure.sites_that_exclude else None
    preliminary = observation.status == "preliminary"
    facts.measurements.append(
        Measurement(kind.measure.code, quantity, at, sent.origin, preliminary, site)
    )


def _quantity(sent: Sent[Observation], kind: Kind, facts: Facts) -> Quantity | None:
    """The value in the unit of its kind; None when it is refused."""
    measure, quantity = kind.measure, sent.resource.value_quantity
    if quantity is UNSET or quantity.number is None:
        facts.refuse("quantity-missing", sent.origin, measure=measure.code)
        return None
    if quantity.comparator is not UNSET:
        facts.refuse("comparator", sent.origin, measure=measure.code)
        return None
    unit = quantity.code
    if quantity.system != UCUM or not isinstance(unit, str) or unit not in measure.units:
        units = ", ".join(measure.units)
        facts.refuse("unit-not-read", sent.origin, measure=measure.code, units=units)
        return None
    value = Quantity(quantity.number, unit).to(measure.unit)
    if not kind.low <= value.value <= kind.high:
        low, high = (str(Quantity(plain(end), measure.unit)) for end in (kind.low, kind.high))
        facts.refuse("impossible", sent.origin, measure=measure.code, low=low, high=high)
        return None
    return value


def _site(observation: Observation) -> str | None:
    """Where a temperature was taken; "other" when that is said but unclear, None when not said."""
    sites = {
        terms.SITE_BY_LOINC[coding.code]
        for coding in observation.code.codings()
        if coding.system == LOINC and coding.code in terms.SITE_BY_LOINC
    }
    for concept in (observation.body_site, observation.method):
        if concept is not UNSET:
            sites |= _sites_named(concept)
    if len(sites) == 1:
        return sites.pop()
    return None if not sites and observation.body_site is UNSET else terms.OTHER_SITE


def _sites_named(concept: Concept) -> set[str]:
    coded = {
        terms.SITE_BY_SNOMED[coding.code]
        for coding in concept.codings()
        if coding.system == SNOMED and coding.code in terms.SITE_BY_SNOMED
    }
    words = concept.words()
    return coded | {site for site, form in terms.SITE_WORDS.items() if form.search(words)}
