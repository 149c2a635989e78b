"""The headline: what was found and what comes first, in a few sentences."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.engine.model import Assessment, Care, Caution, FluidOrder, Order, RunningCourse
from cds_service.engine.situation import Situation


def summary(
    assessment: Assessment,
    situation: Situation,
    emergency: tuple[Care, ...],
    orders: tuple[Order | FluidOrder | RunningCourse, ...],
    cautions: tuple[Caution, ...],
    status: str,
) -> tuple[Message, ...]:
    """Sentences, most urgent first: emergency, classes, what to do, what stands in the way."""
    return tuple(_sentences(assessment, situation, emergency, orders, cautions, status))


def _sentences(
    assessment: Assessment,
    situation: Situation,
    emergency: tuple[Care, ...],
    orders: tuple[Order | FluidOrder | RunningCourse, ...],
    cautions: tuple[Caution, ...],
    status: str,
) -> Iterator[Message]:
    if emergency:
        yield Message("summary.emergency")
    ill = [held for held in assessment.classes if not held.no_illness]
    for held in ill or assessment.classes:
        yield Message("summary.class", (("class", Message(f"class.{held.code}")),))
    grave = {caution.code for caution in cautions if caution.severity == "high"}
    for code in ("not-judged", "not-used"):
        if code in grave:
            yield Message(f"summary.{code}")
    if situation.managed and (situation.choice or not grave or orders):
        yield Message(f"summary.choice.{situation.choice or _here(orders, status)}")
    if situation.treats_here and any(code.startswith("no-dose") for code in grave):
        yield Message("summary.not-given")
    if status == "data-required":
        yield Message("summary.undecided" if situation.managed else "summary.no-class")


def _here(orders: tuple[Order | FluidOrder | RunningCourse, ...], status: str) -> str:
    if orders:
        return "none"
    return "waits" if status == "data-required" else "home"
