"""The headline: what was found and what comes first, in a few sentences."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.engine.assessment_model import Assessment, Caution
from cds_service.engine.model import FluidOrder, Order, RunningCourse
from cds_service.engine.situation import Situation

_Due = tuple[Order | FluidOrder | RunningCourse, ...]


def summary(
    assessment: Assessment,
    situation: Situation,
    orders: _Due,
    cautions: tuple[Caution, ...],
    *,
    needed: str,
    emergency: bool,
    sent: bool,
) -> tuple[Message, ...]:
    """Sentences, most urgent first: emergency, classes, what to do, what stands in the way.

    `needed` is what the plan still waits for: "" nothing, "weight" the weight alone, or "more";
    `emergency`: something comes before all; `sent`: a referral for assessment is due.
    """
    sentences = _sentences(
        assessment, situation, orders, cautions, needed=needed, emergency=emergency, sent=sent
    )
    return tuple(sentences)


def _sentences(
    assessment: Assessment,
    situation: Situation,
    orders: _Due,
    cautions: tuple[Caution, ...],
    *,
    needed: str,
    emergency: bool,
    sent: bool,
) -> Iterator[Message]:
    if emergency:
        yield Message("summary.emergency")
    ill = [held for held in assessment.classes if not held.no_illness]
    # What was not found is no headline beside an urgent referral.
    for held in ill or (() if situation.refers else assessment.classes):
        yield Message("summary.class", (("class", Message(f"class.{held.code}")),))
    if situation.refers:
        yield Message(f"summary.choice.{_referral(situation)}")
    grave = {caution.code for caution in cautions if caution.severity == "high"}
    for code in ("not-judged", "not-used"):
        if code in grave:
            yield Message(f"summary.{code}")
    if situation.managed and not situation.refers and (not grave or orders):
        yield Message(f"summary.choice.{_here(orders, needed)}")
    if sent:
        yield Message("summary.assessment")
    if situation.treats_here and any(code.startswith("no-dose") for code in grave):
        yield Message("summary.not-given")
    if needed:
        yield Message(_still(situation, needed))


def _referral(situation: Situation) -> str:
    """The choice in words; a referral that was recorded as not possible may be the only course."""
    return "here-interim" if situation.choice == "here" and situation.only else situation.choice


def _still(situation: Situation, needed: str) -> str:
    """What is said of what is missing; an urgent referral waits for none of it."""
    if not situation.refers:
        return "summary.undecided" if situation.managed else "summary.no-class"
    if needed == "more":
        return "summary.undecided-meanwhile"
    return "summary.weigh-now" if situation.choice == "here" else "summary.weigh-meanwhile"


def _here(orders: _Due, needed: str) -> str:
    if any(isinstance(each, FluidOrder) and each.is_urgent for each in orders):
        return "stay"
    if orders:
        return "none"
    return "waits" if needed else "home"
