"""QuestionnaireResponse: each answer to the published questionnaire, read as the Observation it is.

So that a form says the same as Observations would, in every respect: what is refused, what is in
conflict, what belongs to this visit. FHIR R4 questionnaireresponse.html.
"""

from collections.abc import Iterator
from typing import NamedTuple

from msgspec import UNSET, Raw, UnsetType

from cds_service.case import Answer, Origin
from cds_service.content.model import Measure, Sign
from cds_service.fhir import terms
from cds_service.fhir.codes import GROUP, LOINC, SITE, TIME, questionnaire_id
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Sent
from cds_service.fhir.lookup import Lookup
from cds_service.fhir.read_body import printable
from cds_service.fhir.read_observation import read_observation
from cds_service.fhir.times import When
from cds_service.fhir.wire import Coding, Concept
from cds_service.fhir.wire_resources import Observation, QuestionnaireResponse
from cds_service.fhir.wire_response import ResponseAnswer, ResponseItem

_STATUS = {"completed": "final", "amended": "amended", "in-progress": "preliminary"}
"""Status of the Observations that a response stands for; of another status it is not used."""
_VOID = "entered-in-error"
_SOMETHING = Raw(b"0")


class _Found(NamedTuple):
    """An item anywhere in a response, with its FHIRPath."""

    item: ResponseItem
    place: str


def about_response(sent: Sent[QuestionnaireResponse], context: Context) -> tuple[str, ...]:
    """The signs and measures that a response would tell of if it could be used."""
    response = sent.resource
    if response.status == _VOID:
        return ()
    known = _questions(context.lookup)
    told = [found.item.link_id for found in _items(response.item, "") if _is_said(found.item)]
    return tuple(dict.fromkeys(code for code in told if code in known))


def read_response(sent: Sent[QuestionnaireResponse], context: Context) -> None:
    """Add what the answers say to the facts, or why they are refused.

    A response to another questionnaire is left out; when it has questions of ours it is refused.
    """
    response, facts = sent.resource, context.facts
    about = about_response(sent, context)
    if not _is_ours(response.questionnaire, context.lookup):
        if about:
            facts.refuse("form-unknown", sent.origin, about)
        return
    if response.status not in _STATUS:
        facts.refuse("status-not-usable", sent.origin, about, status=response.status)
        return
    known = _questions(context.lookup)
    for item, place in _items(response.item, sent.origin.expression):
        origin = Origin(sent.origin.reference, place)
        asked = known.get(item.link_id)
        if item.modifier_extension is not UNSET:
            code = _question(item.link_id)
            facts.refuse("modifier-extension", origin, (code,) if code in known else ())
        elif asked is not None:
            _read_item(sent, item, place, asked, context)
        elif not item.link_id.startswith(GROUP) and _question(item.link_id) not in known:
            facts.refuse("question-unknown", origin, code=printable(item.link_id))


def _read_item(
    sent: Sent[QuestionnaireResponse],
    item: ResponseItem,
    place: str,
    asked: Sign | Measure,
    context: Context,
) -> None:
    answers = [] if item.answer is UNSET else item.answer
    several = isinstance(asked, Measure) and len(answers) > 1
    for index, answer in enumerate(answers):
        at = f"{place}.answer[{index}]"
        origin = Origin(sent.origin.reference, at)
        if answer.modifier_extension is not UNSET:
            context.facts.refuse("modifier-extension", origin, (asked.code,))
            continue
        # Several counts that are not dated each were not taken at one moment: none is known.
        authored = UNSET if several else sent.resource.authored
        alone = _observation(sent.resource, answer, asked, authored)
        read_observation(Sent(alone, sent.full_url, origin), context)


def _observation(
    response: QuestionnaireResponse,
    answer: ResponseAnswer,
    asked: Sign | Measure,
    authored: When | UnsetType,
) -> Observation:
    """The answer as the Observation that says the same."""
    own = _own_answer(answer.value_coding)
    if isinstance(asked, Measure) and own is not Answer.NOT_ASSESSED:
        own = None
    value = answer.value_boolean if own is None else own is Answer.YES
    absent = own is Answer.NOT_ASSESSED
    coded = own is None and answer.value_coding is not UNSET
    time = _time(answer, asked, authored)
    return Observation(
        status=_STATUS[response.status],  # type: ignore[arg-type]
        subject=response.subject,
        code=_code(asked),
        effective_date_time=UNSET if time is None else time,
        effective_timing=_SOMETHING if time is None else UNSET,
        value_boolean=UNSET if absent else value,
        value_quantity=answer.value_quantity,
        value_codeable_concept=_concept(answer.value_coding) if coded else UNSET,
        value_string=_SOMETHING if _is_other(answer) else UNSET,
        data_absent_reason=Concept() if absent else UNSET,
        body_site=_site(answer, asked),
    )


def _code(asked: Sign | Measure) -> Concept:
    if isinstance(asked, Sign):
        return Concept(coding=[Coding(system=terms.FINDING, code=asked.code)])
    code = next((each for each in asked.loinc if each not in terms.SITE_BY_LOINC), asked.loinc[0])
    return Concept(coding=[Coding(system=LOINC, code=code)])


def _own_answer(coding: Coding | UnsetType) -> Answer | None:
    """What one of our own three answers, or a reason why there is none, says."""
    if coding is UNSET:
        return None
    if coding.system == terms.DATA_ABSENT:
        return Answer.NOT_ASSESSED
    known = {each.value: each for each in Answer}
    return known.get(str(coding.code)) if terms.is_own(coding.system, terms.ANSWER) else None


def _concept(coding: Coding | UnsetType) -> Concept | UnsetType:
    return UNSET if coding is UNSET else Concept(coding=[coding])


def _is_other(answer: ResponseAnswer) -> bool:
    """Whether the answer has a value of a type that no question of ours has."""
    read = (
        answer.value_boolean, answer.value_coding, answer.value_quantity,
    )  # fmt: skip
    return _has_value(answer) and read.count(UNSET) == len(read)


def _has_value(answer: ResponseAnswer) -> bool:
    names = (name for name in answer.__struct_fields__ if name.startswith("value_"))
    return any(getattr(answer, name) is not UNSET for name in names)


def _time(
    answer: ResponseAnswer, asked: Sign | Measure, authored: When | UnsetType
) -> When | UnsetType | None:
    """When it was so: as the item below says, else when the form was filled in; None: unclear."""
    told = [one.value_date_time for one in _below(answer, asked.code + TIME)]
    if len(told) > 1 or UNSET in told:
        return None
    return told[0] if told else authored


def _site(answer: ResponseAnswer, asked: Sign | Measure) -> Concept | UnsetType:
    """Where it was measured; a concept without a coding when that was said and is not clear."""
    told = list(_below(answer, asked.code + SITE))
    if not told:
        return UNSET
    codings = [one.value_coding for one in told if one.value_coding is not UNSET]
    return Concept(coding=codings) if codings else Concept()


def _below(answer: ResponseAnswer, link_id: str) -> Iterator[ResponseAnswer]:
    for item in [] if answer.item is UNSET else answer.item:
        if item.link_id == link_id and item.answer is not UNSET:
            yield from item.answer


def _items(items: list[ResponseItem] | UnsetType, place: str) -> Iterator[_Found]:
    """Every item, those in groups and below answers too."""
    for index, item in enumerate([] if items is UNSET else items):
        here = f"{place}.item[{index}]"
        yield _Found(item, here)
        yield from _items(item.item, here)
        for number, answer in enumerate([] if item.answer is UNSET else item.answer):
            yield from _items(answer.item, f"{here}.answer[{number}]")


def _is_said(item: ResponseItem) -> bool:
    return item.answer is not UNSET


def _question(link_id: str) -> str:
    """The linkId of the question, also of the item below it that says when or where."""
    return link_id.removesuffix(TIME).removesuffix(SITE)


def _questions(lookup: Lookup) -> dict[str, Sign | Measure]:
    """Signs and measures by linkId, which is their code."""
    return {**lookup.protocol.sign_by_code, **lookup.protocol.measure_by_code}


def _is_ours(canonical: str | UnsetType, lookup: Lookup) -> bool:
    """Whether the questionnaire is the protocol's, whatever its base and version."""
    if canonical is UNSET:
        return False
    address = canonical.partition("|")[0].rstrip("/")
    return address.endswith(f"/Questionnaire/{questionnaire_id(lookup.protocol.id)}")
