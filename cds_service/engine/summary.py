"""The headline: what was found and what comes first, in a few sentences."""

from cds_service.content.model import Message
from cds_service.engine.model import Assessment
from cds_service.engine.situation import Situation


def summary(assessment: Assessment, situation: Situation) -> tuple[Message, ...]:
    """Sentences, most urgent first: the classes, what is open, what to do."""
    found = [
        Message("summary.class", (("class", Message(f"class.{held.code}")),))
        for held in assessment.classes
    ]
    if any(item.required for item in assessment.missing):
        found.append(Message("summary.undecided"))
    found.append(Message(f"summary.choice.{situation.choice or 'none'}"))
    if not situation.managed:
        found[-1] = Message("summary.no-class")
    return tuple(found)
