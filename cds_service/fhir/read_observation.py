"""Observations: findings, measurements and measured ages."""

from datetime import datetime

from msgspec import UNSET
from msgspec.structs import replace

from cds_service.case import Answer, Finding, Measurement, Origin
from cds_service.content.model import Sign
from cds_service.fhir import terms
from cds_service.fhir.codes import LOINC, SNOMED, UCUM
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.lookup import AgeCode, Kind, Meaning, Unknown, about
from cds_service.fhir.read_age import read_age
from cds_service.fhir.read_body import printable
from cds_service.fhir.read_visit import moment
from cds_service.fhir.wire import Concept
from cds_service.fhir.wire_resources import Component, Observation
from cds_service.quantity import Quantity, plain

_USABLE = frozenset({"final", "amended", "corrected", "preliminary"})
_VOID = frozenset({"cancelled", "entered-in-error"})
"""Statuses of what is certainly no observation."""


def about_observation(sent: Sent[Observation], context: Context) -> tuple[str, ...]:
    """The signs and measures that an Observation would tell of if it could be used."""
    observation = sent.resource
    if observation.status in _VOID:
        return ()
    parts = [] if observation.component is UNSET else observation.component
    codes = [observation.code, *(part.code for part in parts)]
    return tuple(dict.fromkeys(one for code in codes for one in context.lookup.about(code)))


def read_observation(sent: Sent[Observation], context: Context) -> None:
    """Add what an Observation and its components say to the facts, or why they are refused."""
    if sent.resource.component is not UNSET:
        known = _read_panel(sent, sent.resource.component, context)
    else:
        known = _read_one(sent, context)
    if not known and sent.resource.status not in _VOID:
        context.facts.note_unknown(sent.origin)


def _read_one(sent: Sent[Observation], context: Context) -> bool:
    """Read an Observation without components; whether its code or words are known here."""
    meanings = context.lookup.meanings(sent.resource.code)
    if not meanings:
        return _note_words(sent, context)
    meaning = _meaning(sent, meanings, context)
    if meaning is not None:
        _read_meant(sent, meaning, context)
    return True


def _read_meant(sent: Sent[Observation], meaning: Kind | Sign | AgeCode, context: Context) -> None:
    """Read an Observation that means this one thing."""
    observation, facts = sent.resource, context.facts
    if observation.status not in _USABLE:
        open_now = () if observation.status in _VOID else about(meaning)
        facts.refuse("status-not-usable", sent.origin, open_now, status=observation.status)
        return
    if observation.effective_timing is not UNSET:
        facts.refuse("time-not-understood", sent.origin, about(meaning))
        return
    exact = observation.effective_date_time
    if exact is UNSET:
        exact = observation.effective_instant
    when = moment(exact, observation.effective_period)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        facts.refuse("future", sent.origin, about(meaning))
        return
    if isinstance(meaning, Kind):
        _measurement(sent, at, meaning, facts)
    elif isinstance(meaning, Sign):
        _finding(sent, at, meaning, facts)
    else:
        read_age(sent, at, context)


def _read_panel(sent: Sent[Observation], components: list[Component], context: Context) -> bool:
    """The components as the Observations that they would be alone, then what is around them.

    Whether anything of it is known here.
    """
    observation = sent.resource
    parts = [_part(sent, one, index) for index, one in enumerate(components)]
    heard = [_read_part(part, context) for part in parts]
    around = Sent(replace(observation, component=UNSET), sent.full_url, sent.origin)
    valued = observation.has_value() or observation.data_absent_reason is not UNSET
    if valued or not any(context.lookup.about(part.resource.code) for part in parts):
        return _read_one(around, context) or any(heard)
    # A panel has no value of its own; an unknown code is named.
    _note_words(around, context)
    _meaning(around, context.lookup.meanings(around.resource.code), context)
    return True


def _read_part(part: Sent[Observation], context: Context) -> bool:
    if part.resource.has_unknown_rules():
        about_it = about_observation(part, context)
        context.facts.refuse("modifier-extension", part.origin, about_it)
        return True
    return _read_one(part, context)


def _part(sent: Sent[Observation], part: Component, index: int) -> Sent[Observation]:
    """One component as the Observation that it would be alone."""
    whole = sent.resource
    alone = Observation(
        status=whole.status,
        subject=whole.subject,
        effective_date_time=whole.effective_date_time,
        effective_instant=whole.effective_instant,
        effective_period=whole.effective_period,
        effective_timing=whole.effective_timing,
        body_site=whole.body_site,
        method=whole.method,
        **{name: getattr(part, name) for name in Component.__struct_fields__},
    )
    place = f"{sent.origin.expression}.component[{index}]"
    return Sent(alone, sent.full_url, Origin(sent.origin.reference, place))


def _meaning(
    sent: Sent[Observation], meanings: list[Meaning], context: Context
) -> Kind | Sign | AgeCode | None:
    """The one thing that the code means here; None when it is refused."""
    if len(meanings) == 1 and not isinstance(meanings[0], Unknown):
        return meanings[0]
    known: list[Kind | Sign | AgeCode] = []
    for meaning in meanings:
        if isinstance(meaning, Unknown):
            context.facts.refuse("finding-unknown", sent.origin, code=printable(meaning.code))
        else:
            known.append(meaning)
    if len(known) > 1:
        void = sent.resource.status in _VOID
        open_now = () if void else context.lookup.about(sent.resource.code)
        context.facts.refuse("code-ambiguous", sent.origin, open_now)
    return known[0] if len(known) == 1 else None


def _note_words(sent: Sent[Observation], context: Context) -> bool:
    """Refuse, by name, what says only in words that it is a finding or measurement of ours.

    Whether it does.
    """
    code = context.lookup.named(sent.resource.code)
    if code:
        open_now = () if sent.resource.status in _VOID else (code,)
        context.facts.refuse("code-only-text", sent.origin, open_now, code=code)
    return code != ""


def _finding(sent: Sent[Observation], at: datetime | None, sign: Sign, facts: Facts) -> None:
    answer = _answer(sent.resource)
    if answer is None:
        reason = "answer-not-understood" if sent.resource.has_value() else "value-missing"
        facts.refuse(reason, sent.origin, about(sign))
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
    value = _value(sent.resource, kind)
    if isinstance(value, Quantity):
        return value
    reason, details = value
    facts.refuse(reason, sent.origin, about(kind), measure=kind.measure.code, **details)
    return None


def _value(observation: Observation, kind: Kind) -> Quantity | tuple[str, dict[str, str]]:
    """The value in the unit that it is kept in, or why there is none with what that text names."""
    quantity, measure = observation.value_quantity, kind.measure
    if quantity is UNSET or quantity.number is None:
        return "quantity-missing", {}
    if quantity.comparator is not UNSET:
        return "comparator", {}
    unit, words = quantity.code, quantity.unit
    if quantity.system != UCUM or not isinstance(unit, str) or unit not in measure.units:
        return "unit-not-read", {"units": ", ".join(measure.units)}
    if words is not UNSET and words != unit and terms.units_contradict(words, unit):
        return "units-contradict", {}
    value = Quantity(quantity.number, unit).to(measure.kept_in(unit))
    ends = kind.ends[value.unit]
    if not ends[0] <= value.value <= ends[1]:
        low, high = (str(Quantity(plain(end), value.unit)) for end in ends)
        return "impossible", {"low": low, "high": high}
    believed = measure.not_used_from
    if believed is not None and value.unit == believed.unit and value.value >= believed.value:
        others = [each for each in measure.units if each != believed.unit]
        return "wrong-unit", {"limit": str(believed.quantity), "other": ", ".join(others)}
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
