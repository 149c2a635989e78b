"""The headline: what was found and what comes first, in a few sentences."""

from cds_service.content.model import Message
from cds_service.engine.model import Assessment, Order
from cds_service.engine.situation import Situation


def summary(
    assessment: Assessment, situation: Situation, orders: tuple[Order, ...], status: str
) -> tuple[Message, ...]:
    """Sentences, most urgent first: the classes, what is open, what to do."""
    found = [
        Message("summary.class", (("class", Message(f"class.{held.code}")),))
        for held in assessment.classes
    ]
    if situation.managed:
        found.append(Message(f"summary.choice.{situation.choice or _here(orders, status)}"))
    if status == "data-required":
        found.append(Message("summary.undecided" if situation.managed else "summary.no-class"))
    return tuple(found)


def _here(orders: tuple[Order, ...], status: str) -> str:
    if orders:
        return "none"
    return "waits" if status == "data-required" else "home"
