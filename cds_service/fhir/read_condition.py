"""Conditions and allergies: a finding that somebody wrote down as a problem."""

from datetime import datetime

from msgspec import UNSET, UnsetType

from cds_service.case import Answer, Finding
from cds_service.content.model import Sign
from cds_service.fhir import terms
from cds_service.fhir.codes import SNOMED
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.lookup import Unknown
from cds_service.fhir.read_body import printable
from cds_service.fhir.wire import Concept
from cds_service.fhir.wire_resources import AllergyIntolerance, Condition


def read_condition(sent: Sent[Condition], context: Context) -> None:
    """A Condition that is a known finding means YES, unless it is refuted, in error or ended."""
    condition = sent.resource
    signs: list[Sign] = []
    for meaning in context.lookup.meanings(_concept(condition.code)):
        if isinstance(meaning, Unknown):
            context.facts.refuse("finding-unknown", sent.origin, code=printable(meaning.code))
        elif isinstance(meaning, Sign):
            signs.append(meaning)
    if not signs:
        return
    verified = _codes(condition.verification_status)
    if "entered-in-error" in verified:
        context.facts.refuse("entered-in-error", sent.origin)
        return
    refuted = "refuted" in verified
    if not refuted and (condition.abated() or _codes(condition.clinical_status) & terms.ENDED):
        context.facts.refuse("condition-ended", sent.origin)
        return
    times = (condition.recorded_date, condition.onset_date_time)
    when = next((one for one in times if one is not UNSET), None)
    at = None if when is None else context.visit.time(when)
    if when is not None and at is None:
        context.facts.refuse("future", sent.origin)
        return
    answer = Answer.NO if refuted else Answer.YES
    _add([sign.code for sign in signs], answer, at, sent, context, unsure=verified & terms.UNSURE)


def read_allergy(sent: Sent[AllergyIntolerance], context: Context) -> None:
    """An AllergyIntolerance answers the allergy signs of its substance with YES.

    One whose substance is not understood is refused by its own name: the health worker must
    read it. A time in the future is left out, but never the allergy.
    """
    allergy, concept = sent.resource, _concept(sent.resource.code)
    verified = _codes(allergy.verification_status)
    for code in ("entered-in-error", "refuted"):
        if code in verified:
            context.facts.refuse(f"allergy-{code}", sent.origin)
            return
    if _codes(allergy.clinical_status) & terms.ENDED:
        context.facts.refuse("allergy-ended", sent.origin)
        return
    times = (allergy.recorded_date, allergy.onset_date_time)
    when = next((one for one in times if one is not UNSET), None)
    at = None if when is None else context.visit.time(when)
    unsure = verified & terms.UNSURE
    signs = context.lookup.allergy_signs(concept)
    if signs:
        _add(signs, Answer.YES, at, sent, context, unsure=unsure)
    elif _none_known(concept):
        every = [sign.code for sign in context.lookup.allergies]
        _add(every, Answer.NO, at, sent, context, unsure=unsure)
    else:
        context.facts.refuse("allergy-not-understood", sent.origin)


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
