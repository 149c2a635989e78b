"""The answer of a CDS Hooks service as JSON: the cards, and nothing that is done without asking.

There are no systemActions: this service proposes, and a health worker decides.
"""

from collections.abc import Sequence

import orjson

from cds_service.content.catalogue import ENGLISH
from cds_service.engine.check_model import DraftOrder
from cds_service.engine.identity import uuid5
from cds_service.engine.model import Decision
from cds_service.engine.order_check import check_orders
from cds_service.fhir.cards import Deck
from cds_service.fhir.order_cards import order_cards
from cds_service.fhir.plan_cards import plan_cards
from cds_service.fhir.read_drafts import names_of
from cds_service.fhir.read_hook import PATIENT_VIEW, HookRequest
from cds_service.fhir.write_json import exactly

OPENING = b'{"cards":'
"""What every answer of a hook begins with, and no other answer does."""


def answer_id(asked: HookRequest, decision: Decision, drafts: Sequence[DraftOrder]) -> str:
    """The id of what is answered: a plan's is that of its decision.

    A check of orders has one of its own, and so has a plan that is told not to have all the data.
    """
    if asked.hook == PATIENT_VIEW and not asked.not_sent:
        return decision.id
    name = "\n".join((asked.hook, *asked.not_sent, *names_of(drafts)))
    return uuid5(bytes.fromhex(decision.id.replace("-", "")), name.encode()).decode()


def write_cards(
    asked: HookRequest,
    decision: Decision,
    drafts: Sequence[DraftOrder],
    *,
    base: str,
    language: str,
) -> bytes:
    """The cards of a call as UTF-8 JSON; the same call always has the same bytes."""
    answer = answer_id(asked, decision, drafts)
    deck = Deck(
        decision, base=base, language=language or ENGLISH, answer=answer, server=asked.server
    )
    if asked.hook == PATIENT_VIEW:
        plan_cards(deck, asked.not_sent, inside=_may_be_inside(decision))
    else:
        order_cards(deck, check_orders(decision, drafts), asked.texts, asked.not_sent)
    return orjson.dumps({"cards": exactly(deck.cards)})


def _may_be_inside(decision: Decision) -> bool:
    """Whether the infant may be young enough for the protocol."""
    limit, age = decision.protocol.age_below.quantity.to("d").value, decision.case.age
    return age is None or age.low < limit
