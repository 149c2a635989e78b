"""What the caregiver hears or reads: in the language asked for, with the English beside it.

FHIR R4 extension `translation`: the same words in another language than that of the resource. A
sentence without translation is English. A draft says that it is one, in both languages.
"""

from collections.abc import Iterable, Iterator, Sequence

import orjson

from cds_service.content.bidi import LRI, PDI
from cds_service.content.catalogue import ENGLISH
from cds_service.content.model import Message
from cds_service.content.text import translated
from cds_service.engine.model import Plan
from cds_service.engine.phrase import visit
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json

_TRANSLATION = "http://hl7.org/fhir/StructureDefinition/translation"
_DRAFT = Message("write.draft")

Messages = Sequence[Message]


def language_of(house: House, told: Messages) -> str:
    """The language of a resource that tells the caregiver this."""
    if house.language == ENGLISH:
        return ENGLISH
    return house.language if any(_translated(house, each) for each in told) else ENGLISH


def instruction(house: House, told: Messages) -> bytes:
    """The sentences as a further member `patientInstruction`, or nothing when there are none."""
    return house.kept(("told", told), lambda: _instruction(house, told))


def _instruction(house: House, told: Messages) -> bytes:
    if not told:
        return b""
    element = _element(house, "patientInstruction", told, _draft_mark(house, told))
    return b"," + orjson.dumps(element)[1:-1]


def payload(house: House, told: Messages) -> list[Json]:
    """Each sentence as one content of a CommunicationRequest."""
    contents = [_element(house, "contentString", (each,)) for each in told]
    if mark := " ".join(_draft_mark(house, told)):
        contents.append({"contentString": mark} | _beside("contentString", house.text(_DRAFT)))
    return contents


def untranslated(house: House, plan: Plan) -> int:
    """How many different sentences of a plan the caregiver gets in English for want of another."""
    if house.language == ENGLISH:
        return 0
    return sum(not _translated(house, each) for each in dict.fromkeys(_sentences(plan)))


def _sentences(plan: Plan) -> Iterator[Message]:
    yield from plan.counselling
    for order in plan.orders:
        yield from order.instructions
    for fluid in plan.fluids:
        yield from fluid.instructions
    yield from (visit(each) for each in plan.follow_ups if each.first)


def _element(house: House, name: str, told: Messages, mark: Iterable[str] = ()) -> Json:
    english = " ".join(map(house.text, told))
    if language_of(house, told) == ENGLISH:
        return {name: english}
    said = [_translated(house, each) or _english(house, each) for each in told]
    return {name: " ".join((*said, *mark))} | _beside(name, english)


def _beside(name: str, english: str) -> Json:
    parts = [
        {"url": "lang", "valueCode": ENGLISH},
        {"url": "content", "valueString": english},
    ]
    return {f"_{name}": {"extension": [{"url": _TRANSLATION, "extension": parts}]}}


def _draft_mark(house: House, told: Messages) -> list[str]:
    """That this is a draft, in its language and in English; nothing when it is reviewed."""
    if language_of(house, told) == ENGLISH or house.is_reviewed:
        return []
    return [each for each in (_translated(house, _DRAFT), _english(house, _DRAFT)) if each]


def _english(house: House, message: Message) -> str:
    """An English sentence among those of the other language; it keeps its own direction."""
    runs_left = house.protocol.catalogue_by_language[house.language].runs_left
    text = house.text(message)
    return f"{LRI}{text}{PDI}" if runs_left else text


def _translated(house: House, message: Message) -> str:
    key = ("translated", message)
    return house.kept(key, lambda: translated(house.protocol, message, house.language))
