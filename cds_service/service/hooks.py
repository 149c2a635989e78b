"""CDS Hooks: the same decision, recorded in the same log, told as cards.

A call is answered once: `hookInstance` is its idempotency key, for each service of its own.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

import orjson

from cds_service.audit.record import FEEDBACK, RECOMMENDATION, Entry, digest
from cds_service.audit.store import Logged, Query, Store
from cds_service.content.catalogue import ENGLISH
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.errors import (
    CardUnknown,
    MalformedRequest,
    PayloadErased,
    Problem,
    RequestError,
    UnusableRequest,
)
from cds_service.fhir.cards import answers_of
from cds_service.fhir.read import read
from cds_service.fhir.read_hook import (
    ORDER_SELECT,
    ORDER_SIGN,
    PATIENT_VIEW,
    HookRequest,
    read_hook,
)
from cds_service.fhir.read_hook_feedback import CardFeedback, read_hook_feedback, suggestions_of
from cds_service.fhir.write_cards import OPENING, answer_id, write_cards
from cds_service.service.languages import chosen_language, looked_up

SERVICES: Final = {
    "sick-young-infant-plan": PATIENT_VIEW,
    "medicine-dose-check": ORDER_SIGN,
    "medicine-dose-check-select": ORDER_SELECT,
}
"""The services and the hook of each: CDS Hooks gives a service one hook."""


def asked_of(body: bytes, service_id: str) -> HookRequest:
    """Read a call; raises MalformedRequest (also for another hook) and DataNotSent."""
    asked = read_hook(body)
    if asked.hook != SERVICES[service_id]:
        what = "This service is not one of that hook."
        remedy = f"Call it on {SERVICES[service_id]}; GET /cds-services lists each with its hook."
        raise MalformedRequest(Problem("value", what, remedy, "hook"))
    return asked


def hook_entry(
    asked: HookRequest,
    protocol: Protocol,
    *,
    base: str,
    languages: Sequence[str],
    now: datetime,
) -> Entry:
    """What is to be recorded of a call. Raises RequestError."""

    def choose(wish: str) -> str:
        return chosen_language((wish, *languages), protocol.languages)

    response, decision, language, answer = _told(asked, protocol, base, choose, now)
    return Entry(
        request=asked.kept,
        response=response,
        request_sha256=digest(asked.kept),
        response_sha256=digest(response),
        as_of=decision.case.as_of,
        recorded=now,
        decision_id=answer,
        protocol=protocol.name,
        content_digest=protocol.digest,
        code_version="",
        language=language,
        strict=False,
        patient=decision.case.subject,
        outcome="",  # cards have no GuidanceResponse
        classes=tuple(held.code for held in decision.assessment.classes),
    )


def _told(
    asked: HookRequest,
    protocol: Protocol,
    base: str,
    choose: Callable[[str], str],
    now: datetime,
) -> tuple[bytes, Decision, str, str]:
    """The cards, the decision behind them, the caregiver's language, the id of the answer."""
    try:
        request = read(asked.body, protocol, now=now, any_age=True, drafts=asked.drafts)
    except RequestError as error:
        raise asked.at_home(error) from None
    decision, language = decide(request.case, protocol), choose(request.language)
    body = write_cards(asked, decision, request.drafts, base=base, language=language)
    return body, decision, language, answer_id(asked, decision, request.drafts)


def cards_again(entry: Entry, protocol: Protocol, *, base: str) -> bytes:
    """What a recorded call is answered with by this content."""
    asked = read_hook(entry.request)
    language = looked_up(entry.language, protocol.languages)
    return _told(asked, protocol, base, lambda _: language, entry.recorded)[0]


def is_hook(entry: Entry) -> bool:
    """Whether the answer of this entry are the cards of a hook."""
    return entry.kind == RECOMMENDATION and entry.response.startswith(OPENING)


async def found_card(
    store: Store, body: bytes, service_id: str, tenant: str
) -> list[tuple[CardFeedback, Logged]]:
    """Each card of a feedback with the entry that it was dealt in.

    Raises MalformedRequest, UnusableRequest for a suggestion that the card does not have, and
    CardUnknown when the log has no such card of this service.
    """
    said = read_hook_feedback(body)
    return [(each, await _dealt(store, each, service_id, tenant)) for each in said]


async def _dealt(store: Store, said: CardFeedback, service_id: str, tenant: str) -> Logged:
    for answer in answers_of(said.card):
        query = Query(tenant=tenant, kinds=(RECOMMENDATION,), decision_id=answer)
        for logged in await store.find(query):
            if logged.entry is None or not _is_of(logged.entry, service_id):
                continue
            suggestions = suggestions_of(logged.entry.response, said.card)
            if suggestions is None:
                continue
            if set(said.suggestions) - suggestions:
                what, where = "The card has no such suggestion.", "acceptedSuggestions"
                problem = Problem("value", what, "Send its uuid.", f"{said.place}.{where}")
                raise UnusableRequest(problem)
            return logged
    raise CardUnknown(said.place)


def _is_of(entry: Entry, service_id: str) -> bool:
    return is_hook(entry) and orjson.loads(entry.request)["hook"] == SERVICES[service_id]


def feedback_entry(said: CardFeedback, logged: Logged, now: datetime) -> Entry:
    """What is recorded of one card, about the entry that it was dealt in. Raises PayloadErased."""
    its = logged.entry
    if its is None:
        raise PayloadErased(logged.index)
    response = orjson.dumps({"card": said.card, "outcome": said.outcome, "about": logged.index})
    return Entry(
        request=said.text,
        response=response,
        request_sha256=digest(said.text),
        response_sha256=digest(response),
        as_of=now,
        recorded=now,
        decision_id=its.decision_id,
        protocol=its.protocol,
        content_digest=its.content_digest,
        code_version="",
        language=ENGLISH,
        strict=False,
        kind=FEEDBACK,
        about=logged.index,
        patient=its.patient,
        outcome=said.outcome,
        classes=its.classes,
    )
