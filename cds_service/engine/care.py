"""What is done beside medicines: emergency actions, the referral, care, counselling."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.content.treatment import CareItem, Protocol
from cds_service.engine.conditions import holds
from cds_service.engine.facts import Facts
from cds_service.engine.model import Care, Referral
from cds_service.engine.situation import Situation
from cds_service.engine.words import said


def emergency(facts: Facts) -> Iterator[Care]:
    """What comes before any table: only for signs that are known to be present."""
    for item in facts.protocol.emergency:
        if _is_shown(item, facts):
            words = _care_words(item, facts.protocol)
            yield Care(f"emergency.{item.code}", "", words, item.cite, emergency=True)


def _care_words(item: CareItem, protocol: Protocol) -> Message:
    key = ("care", item.code, item.values)
    made: Message | None = protocol.made.get(key)
    if made is None:
        values = tuple((name, said(each)) for name, each in item.values)
        made = protocol.made[key] = Message(f"care.{item.code}", values)
    return made


def referral(facts: Facts, situation: Situation) -> Referral | None:
    """The referral, with its reasons; None when none is due."""
    if not situation.refers:
        return None
    sends = [item for item in situation.managed if item.plan.referral != "none"]
    classes = tuple(item.held.code for item in sends or situation.managed)
    reasons = [
        Message("referral.class", (("class", Message(f"class.{code}")),)) for code in classes
    ]
    if situation.very_low_weight:
        limit = str(facts.protocol.low_weight.outpatient_from.quantity)
        reasons.append(Message("referral.very-low-weight", (("limit", limit),)))
    reasons += [
        Message("referral.allergy", (("sign", Message(f"sign.{code}")),))
        for code in situation.blocked
    ]
    cite = sends[0].plan.cite if sends else facts.protocol.low_weight.cite
    option = situation.choice == "refer-or-here"
    return Referral(
        classes, tuple(reasons), urgent=True, only=situation.only, is_option=option, cite=cite
    )


def care_items(facts: Facts, situation: Situation, *, unfinished: bool) -> Iterator[Care]:
    """Care of each branch, each item once; `unfinished`: the assessment is not complete."""
    found: dict[str, Care] = {}
    first = [("", item) for item in facts.protocol.unfinished] if unfinished else []
    for branch, item in (*first, *_branches(facts, situation)):
        if _is_shown(item, facts):
            key = f"{branch or 'every'}.{item.code}"
            words = _care_words(item, facts.protocol)
            found.setdefault(key, Care(key, branch, words, item.cite))
    yield from found.values()


def _branches(facts: Facts, situation: Situation) -> Iterator[tuple[str, CareItem]]:
    if situation.gives_before_referral:
        yield from (("refer", item) for item in facts.protocol.referral_care)
    if situation.very_low_weight and situation.treats_here:
        yield from (("here", item) for item in facts.protocol.low_weight.care)
    for managed in situation.managed:
        # Local care belongs to every branch: it is done before the infant leaves.
        branch = "" if managed.care_only and situation.refers else "here"
        if branch == "" or situation.treats_here:
            yield from ((branch, item) for item in managed.plan.care)


def _is_shown(item: CareItem, facts: Facts) -> bool:
    if item.unless is not None and holds(item.unless, facts):
        return False
    return item.when is None or holds(item.when, facts)


def counselling(facts: Facts, situation: Situation) -> tuple[Message, ...]:
    """What the caregiver is told when the infant goes home."""
    if not situation.treats_here or not situation.managed:
        return ()
    shown = (item for item in facts.protocol.counselling if _is_shown(item, facts))
    return tuple(_care_words(item, facts.protocol) for item in shown)
