"""ServiceRequests (referral, care, follow-up) and the CommunicationRequest for the caregiver."""

from collections.abc import Sequence

from cds_service.content.catalogue import ENGLISH
from cds_service.content.model import Message
from cds_service.engine.model import Care, FollowUp, Referral
from cds_service.engine.phrase import referral_title, says_only, visit
from cds_service.fhir.codes import FOLLOW_UP, REFERRAL, SNOMED
from cds_service.fhir.write_base import Pen, classes, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_shape import Item, Shape, VisitShape
from cds_service.fhir.write_template import blank, escaped, more
from cds_service.fhir.write_told import instruction, language_of, payload

_REFERRAL = {"system": SNOMED, "code": REFERRAL, "display": "Patient referral"}
_FOLLOW_UP = {"system": SNOMED, "code": FOLLOW_UP, "display": "Follow-up encounter"}
_DAILY = {"frequency": 1, "period": 1, "periodUnit": "d"}


def referral_request(house: House, referral: Referral) -> Item:
    """The referral: urgent when a row says refer, else for assessment; with its reasons."""
    title = house.title(referral_title(referral))
    role = "referral" if referral.urgent else "referral-for-assessment"
    resource = _request(role, option=referral.is_option) | {
        "category": [{"coding": [_REFERRAL]}],
        "priority": "urgent" if referral.urgent else "routine",
        "code": {"coding": [_REFERRAL], "text": title},
        "note": [{"text": _referral_note(house, referral)}],
    }
    if referral.reasons:
        resource["reasonCode"] = [{"text": house.text(reason)} for reason in referral.reasons]
    if referral.classes:
        resource["reasonReference"] = classes(referral.classes)
    branch = "refer" if referral.urgent else "here"
    return Item(role, resource, title, branch, (referral.cite,))


def _referral_note(house: House, referral: Referral) -> str:
    only = ("write.referral-only",) if says_only(referral) else ()
    keys = ("write.proposal", *only)
    return "\n".join((*map(house.title, keys), house.source(referral.cite)))


def care_request(house: House, care: Care, shape: Shape) -> Item:
    """Something to do that is not a medicine; an emergency action is done at once."""
    role = f"care.{care.key}"
    words = blank(care_blank(care)) if care.weighed else house.text(care.message)
    resource = _request(role, option=shape.is_open(care.branch)) | {
        "priority": "stat" if care.emergency else "routine",
        "code": {"coding": [house.own("care", care_code(care.message))], "text": words},
        "note": [{"text": house.source(care.cite)}],
    }
    return Item(role, resource, words, care.branch, (care.cite,))


def care_blank(care: Care) -> str:
    """The name of the blank for words that hold amounts for one weight."""
    return f"care.{care.key}.words"


def care_code(message: Message) -> str:
    """The code of a care item: its text key without the part that says it is care."""
    return message.key.removeprefix("care.")


def follow_up_request(house: House, each: VisitShape, shape: Shape) -> Item:
    """A visit on a date, or every day between two dates; the day to give is told apart."""
    role, words, when = f"visit.{each.key}", house.text(each.message), blank(f"{each.key}.when")
    resource = _request(role, option=shape.is_open(each.branch)) | {
        "priority": "routine",
        "code": {"coding": [_FOLLOW_UP], "text": words},
        **_dated(each),
        "note": [{"text": house.source(each.cite)}],
    }
    if each.first:
        resource |= _told_when(house, each)
    return Item(role, resource, f"{words} {when}", each.branch, (each.cite,))


def _told_when(house: House, each: VisitShape) -> Json:
    """What the caregiver is told about the day; in another language it is written with the day."""
    if house.language == ENGLISH:
        return {"patientInstruction": blank(f"{each.key}.when")}
    return {"language": blank(f"{each.key}.language"), more(f"{each.key}.told"): None}


def _dated(each: VisitShape) -> Json:
    on, until = blank(f"{each.key}.on"), blank(f"{each.key}.until")
    if not each.daily:
        return {"occurrenceDateTime": on}
    return {"occurrenceTiming": {"repeat": {"boundsPeriod": {"start": on, "end": until}, **_DAILY}}}


def dates(pen: Pen, follow_up: FollowUp) -> None:
    """Fill in the dates of a visit."""
    house, key = pen.house, follow_up.key
    dated = house.kept(
        ("visit", follow_up.on, follow_up.until),
        lambda: (
            str(follow_up.on).encode(),
            str(follow_up.until).encode(),
            escaped(house.text(visit(follow_up))),
        ),
    )
    pen.blanks[f"{key}.on"], pen.blanks[f"{key}.until"], pen.blanks[f"{key}.when"] = dated
    if house.language != ENGLISH:
        said = visit(follow_up)
        pen.blanks[f"{key}.language"] = language_of(house, (said,)).encode()
        pen.blanks[f"{key}.told"] = instruction(house, (said,))


def _request(role: str, *, option: bool) -> Json:
    return {
        **start("ServiceRequest", role),
        "status": "draft",
        "intent": "option" if option else "proposal",
        **who_and_when("authoredOn"),
    }


def communication_request(house: House, told: Sequence[Message]) -> Item:
    """What to tell the caregiver."""
    resource = {
        **start("CommunicationRequest", "counselling"),
        "status": "draft",
        more("who"): None,
        "payload": payload(house, told),
        "authoredOn": blank("as_of"),
        "note": [{"text": house.title("write.proposal")}],
        "language": language_of(house, told),
    }
    return Item("counselling", resource, house.title("write.counselling"), "", ())
