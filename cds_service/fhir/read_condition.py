"""Conditions and allergies: a finding that somebody wrote down as a problem."""

from datetime import datetime

from msgspec import UNSET, UnsetType

from cds_service.case import Answer, EarlierClass, Finding
from cds_service.content.model import Sign
from cds_service.fhir import terms
from cds_service.fhir.codes import SNOMED
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.lookup import Unknown
from cds_service.fhir.read_body import printable
from cds_service.fhir.wire import Concept
from cds_service.fhir.wire_resources import AllergyIntolerance, Condition


def about_condition(sent: Sent[Condition], context: Context) -> tuple[str, ...]:
    """The signs that a Condition would answer if it could be used."""
    if _over(sent.resource) or "refuted" in _codes(sent.resource.verification_status):
        return ()
    concept = _concept(sent.resource.code)
    return tuple(c for c in context.lookup.about(concept) if c in context.lookup.findings)


def read_condition(sent: Sent[Condition], context: Context) -> None:
    """A Condition that is a known finding means YES, unless it is refuted, in error or ended.

    One in the service's own classes is a class of an earlier visit.
    """
    condition, facts = sent.resource, context.facts
    for coding in _concept(condition.code).codings():
        if isinstance(coding.code, str) and terms.is_own(coding.system, terms.CLASSIFICATION):
            _read_class(sent, coding.code, context)
            return
    concept = _concept(condition.code)
    signs: list[str] = []
    for meaning in context.lookup.meanings(concept):
        if isinstance(meaning, Unknown):
            facts.refuse("finding-unknown", sent.origin, code=printable(meaning.code))
        elif isinstance(meaning, Sign):
            signs.append(meaning.code)
    named = context.lookup.named(concept)
    if not signs and named not in context.lookup.findings:
        _note_unknown(sent, context)
        return
    reason = _over(condition)
    if reason:
        facts.refuse(reason, sent.origin)
    elif named:
        facts.refuse("code-only-text", sent.origin, about_condition(sent, context), code=named)
    else:
        _answered(sent, signs, context)


def _note_unknown(sent: Sent[Condition], context: Context) -> None:
    """Name a Condition that may hold now and that nothing here asks for: somebody must read it."""
    condition = sent.resource
    concept = _concept(condition.code)
    void = _over(condition) or "refuted" in _codes(condition.verification_status)
    if void or any(isinstance(each, Unknown) for each in context.lookup.meanings(concept)):
        return
    codes = [coding.code for coding in concept.codings() if isinstance(coding.code, str)]
    context.facts.refuse("condition-unknown", sent.origin, code=printable((*codes, "")[0]))


def _read_class(sent: Sent[Condition], code: str, context: Context) -> None:
    """A class that held at a visit before this one; what this visit gave is no earlier class.

    One that was not certain then (`differential`), is refuted, in error or over does not count.
    """
    condition = sent.resource
    verified = _codes(condition.verification_status)
    if _over(condition) or verified & {"refuted", "differential"}:
        return
    if code not in context.lookup.classes:
        context.facts.refuse("class-unknown", sent.origin, code=printable(code))
        return
    times = (condition.recorded_date, condition.onset_date_time)
    when = next((one for one in times if one is not UNSET), None)
    if when is None:
        context.facts.earlier.append(EarlierClass(code, None, sent.origin))
    elif context.visit.time(when) is None:
        context.facts.refuse("future", sent.origin)
    elif context.visit.is_before(when, context.lookup.visit_length):
        at = context.visit.time(when) if when.first == when.last else None
        context.facts.earlier.append(EarlierClass(code, at, sent.origin))


def _over(condition: Condition) -> str:
    """The reason why a Condition does not hold at this visit; "" when it may."""
    verified = _codes(condition.verification_status)
    if "entered-in-error" in verified:
        return "entered-in-error"
    ended = condition.abated() or _codes(condition.clinical_status) & terms.ENDED
    return "condition-ended" if ended and "refuted" not in verified else ""


def _answered(sent: Sent[Condition], signs: list[str], context: Context) -> None:
    condition = sent.resource
    times = (condition.recorded_date, condition.onset_date_time)
    when = next((one for one in times if one is not UNSET), None)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        context.facts.refuse("future", sent.origin, about_condition(sent, context))
        return
    verified = _codes(condition.verification_status)
    answer = Answer.NO if "refuted" in verified else Answer.YES
    _add(signs, answer, at, sent, context, unsure=verified & terms.UNSURE)


def about_allergy(sent: Sent[AllergyIntolerance], context: Context) -> tuple[str, ...]:
    """The allergy signs that an AllergyIntolerance would answer if it could be used."""
    signs, _ = _substance(_concept(sent.resource.code), context)
    return () if _does_not_hold(sent.resource) else tuple(signs)


def read_allergy(sent: Sent[AllergyIntolerance], context: Context) -> None:
    """An AllergyIntolerance answers the allergy signs of its substance with YES.

    One whose substance is not understood is refused by its own name: the health worker must
    read it. A time in the future is left out, but never the allergy.
    """
    allergy = sent.resource
    reason = _does_not_hold(allergy)
    if reason:
        context.facts.refuse(reason, sent.origin)
        return
    signs, answer = _substance(_concept(allergy.code), context)
    if not signs:
        context.facts.refuse("allergy-not-understood", sent.origin)
        return
    times = (allergy.recorded_date, allergy.onset_date_time)
    when = next((one for one in times if one is not UNSET), None)
    at = None if when is None else context.visit.time(when)
    unsure = _codes(allergy.verification_status) & terms.UNSURE
    _add(signs, answer, at, sent, context, unsure=unsure)


def _does_not_hold(allergy: AllergyIntolerance) -> str:
    verified = _codes(allergy.verification_status)
    for code in ("entered-in-error", "refuted"):
        if code in verified:
            return f"allergy-{code}"
    return "allergy-ended" if _codes(allergy.clinical_status) & terms.ENDED else ""


def _substance(concept: Concept, context: Context) -> tuple[list[str], Answer]:
    """The allergy signs that a substance, or the lack of any, answers, and how.

    The words count beside the codings, except where these say that no allergy is known.
    """
    coded = context.lookup.allergy_signs(concept)
    if not coded and _none_known(concept):
        return [sign.code for sign in context.lookup.allergies], Answer.NO
    named = context.lookup.allergy_signs_named(concept.words())
    return list(dict.fromkeys([*coded, *named])), Answer.YES


def _add(
    signs: list[str],
    answer: Answer,
    at: datetime | None,
    sent: Sent[Condition] | Sent[AllergyIntolerance],
    context: Context,
    *,
    unsure: frozenset[str],
) -> None:
    for code in signs:
        context.facts.findings.append(Finding(code, answer, at, sent.origin, bool(unsure)))


def _concept(code: Concept | UnsetType) -> Concept:
    return Concept() if code is UNSET else code


def _codes(status: Concept | UnsetType) -> frozenset[str]:
    codings = [] if status is UNSET else status.codings()
    return frozenset(coding.code for coding in codings if isinstance(coding.code, str))


def _none_known(concept: Concept) -> bool:
    return any(
        coding.system == SNOMED and coding.code in terms.NO_KNOWN_ALLERGY
        for coding in concept.codings()
    )
