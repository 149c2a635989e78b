"""What the caregiver is told, sentence by sentence, in the caregiver's language."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.engine import fluid_words
from cds_service.engine.model import Decision
from cds_service.engine.phrase import visit


def told(decision: Decision, language: str) -> Iterator[str]:
    """Each medicine with its sentences, the fluids, the counselling, the day to come back.

    A sentence without translation is English. A catalogue that is not reviewed says so at the end.
    """
    protocol = decision.protocol
    for message in _messages(decision):
        yield render(protocol, message, language)
    if not protocol.catalogue_by_language[language].reviewed_by:
        yield render(protocol, Message("write.draft"), language)
        yield render(protocol, Message("write.draft"))


def _messages(decision: Decision) -> Iterator[Message]:
    plan = decision.plan
    for order in plan.orders:
        yield Message(f"formulation.{order.dose.formulation.code}")
        yield from order.instructions
    for fluid in plan.fluids:
        yield fluid_words.name(fluid)
        yield from fluid_words.how_much(fluid)
        yield from fluid.instructions
    yield from plan.counselling
    yield from (visit(each) for each in plan.follow_ups if each.first)
