"""ServiceRequests (referral, care, follow-up) and the CommunicationRequest for the caregiver."""

from cds_service.content.model import Message
from cds_service.engine.model import Care, FollowUp, Referral
from cds_service.engine.phrase import visit
from cds_service.fhir.codes import FOLLOW_UP, REFERRAL, SNOMED
from cds_service.fhir.write_base import Item, Pen
from cds_service.fhir.write_json import Json

_REFERRAL = {"system": SNOMED, "code": REFERRAL, "display": "Patient referral"}
_FOLLOW_UP = {"system": SNOMED, "code": FOLLOW_UP, "display": "Follow-up encounter"}
_DAILY = {"frequency": 1, "period": 1, "periodUnit": "d"}


def referral_request(pen: Pen, referral: Referral) -> Item:
    """The referral: urgent when a row says refer, with its reasons."""
    text = pen.house.text
    title = pen.house.title("write.refer-urgently" if referral.urgent else "write.refer")
    resource = _request(pen, "referral", option=referral.is_option) | {
        "category": [{"coding": [_REFERRAL]}],
        "priority": "urgent" if referral.urgent else "routine",
        "code": {"coding": [_REFERRAL], "text": title},
        "note": [{"text": _referral_note(pen, referral)}],
    }
    if referral.reasons:
        resource["reasonCode"] = [{"text": text(reason)} for reason in referral.reasons]
    if referral.classes:
        resource["reasonReference"] = pen.classes(referral.classes)
    return Item(resource, title, "refer", (referral.cite,))


def _referral_note(pen: Pen, referral: Referral) -> str:
    keys = ("write.proposal", "write.referral-only") if referral.only else ("write.proposal",)
    return "\n".join((*map(pen.house.title, keys), pen.house.source(referral.cite)))


def care_request(pen: Pen, care: Care) -> Item:
    """Something to do that is not a medicine; an emergency action is done at once."""
    words = pen.house.text(care.message)
    resource = _request(pen, f"care.{care.key}", option=pen.is_open(care.branch)) | {
        "priority": "stat" if care.emergency else "routine",
        "code": {"coding": [pen.house.own("care", care_code(care.message))], "text": words},
        "note": [{"text": pen.house.source(care.cite)}],
    }
    return Item(resource, words, care.branch, (care.cite,))


def care_code(message: Message) -> str:
    """The code of a care item: its text key without the part that says it is care."""
    return message.key.removeprefix("care.")


def follow_up_request(pen: Pen, follow_up: FollowUp) -> Item:
    """A visit on a date, or every day between two dates; the day to give is told apart."""
    words = pen.house.text(follow_up.message)
    when = pen.house.kept(("visit", follow_up.on, follow_up.until), lambda: visit(follow_up))
    option = pen.is_open(follow_up.branch)
    resource = _request(pen, f"visit.{follow_up.key}", option=option) | {
        "priority": "routine",
        "code": {"coding": [_FOLLOW_UP], "text": words},
        **_when(follow_up),
        "note": [{"text": pen.house.source(follow_up.cite)}],
    }
    if follow_up.first:
        resource["patientInstruction"] = when
    return Item(resource, f"{words} {when}", follow_up.branch, (follow_up.cite,))


def _when(follow_up: FollowUp) -> Json:
    start = follow_up.on.isoformat()
    if follow_up.until is None:
        return {"occurrenceDateTime": start}
    period = {"start": start, "end": follow_up.until.isoformat()}
    return {"occurrenceTiming": {"repeat": {"boundsPeriod": period, **_DAILY}}}


def _request(pen: Pen, role: str, *, option: bool) -> Json:
    return {
        **pen.start("ServiceRequest", role),
        "status": "draft",
        "intent": "option" if option else "proposal",
        **pen.who,
        "authoredOn": pen.as_of,
    }


def communication_request(pen: Pen) -> Item:
    """What to tell the caregiver."""
    lines = map(pen.house.text, pen.decision.plan.counselling)
    resource = {
        **pen.start("CommunicationRequest", "counselling"),
        "status": "draft",
        **pen.who,
        "payload": [{"contentString": line} for line in lines],
        "authoredOn": pen.as_of,
        "note": [{"text": pen.house.title("write.proposal")}],
    }
    return Item(resource, pen.house.title("write.counselling"), "", ())
