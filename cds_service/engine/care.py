"""What is done beside medicines: emergency actions, the referral, care, counselling."""

from collections.abc import Iterable, Iterator
from decimal import Decimal

from cds_service.case import Answer
from cds_service.content.care import Amount, Assess, CareItem
from cds_service.content.memo import once
from cds_service.content.model import Cite, Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Class
from cds_service.engine.conditions import holds, is_shown
from cds_service.engine.facts import Facts
from cds_service.engine.model import Care, Referral
from cds_service.engine.situation import Situation
from cds_service.engine.trace import reasons as reasons_of
from cds_service.engine.words import listed, said

_BRANCHES = ("refer", "here")
_EVERY, _EMERGENCY = "every", "emergency"
"""Where else care is told: in every branch, before anything."""


def emergency(facts: Facts, kg: Decimal | None) -> Iterator[Care]:
    """What comes before any table: only for signs that are known to be present.

    `kg` is the weight that amounts are worked out for; without one they are told per kilogram.
    """
    for item in facts.protocol.emergency:
        if is_shown(item, facts):
            yield _for_weight(_care(item, _EMERGENCY, facts.protocol), item, facts.protocol, kg)


def _care(item: CareItem, place: str, protocol: Protocol) -> Care:
    """An item in one place of the plan, as it is told without a weight; made once."""
    return once(protocol.made, place, item, lambda each: _made(each, place))


def _made(item: CareItem, place: str) -> Care:
    values = tuple((name, said(each)) for name, each in item.values)
    branch = place if place in _BRANCHES else ""
    words = Message(f"care.{item.code}", values)
    first = place == _EMERGENCY
    return Care(f"{place}.{item.code}", branch, words, item.cite, emergency=first)


def _for_weight(care: Care, item: CareItem, protocol: Protocol, kg: Decimal | None) -> Care:
    """The same with its amounts worked out, where it has any and there is a weight."""
    if kg is None or not item.amounts:
        return care
    key = ("care", care.key, item.values, kg)
    made: Care | None = protocol.memo[key]
    if made is None:
        amounts = {each.name: _worked_out(each, kg) for each in item.amounts}
        values = tuple((name, amounts.get(name, value)) for name, value in care.message.values)
        words = care.message._replace(values=values)
        made = protocol.memo[key] = care._replace(message=words, weighed=True)
    return made


def _worked_out(amount: Amount, kg: Decimal) -> Message:
    """ "2 mL/kg = 7 mL", "20 mg/kg = 68 mg (0.34 mL of 200 mg/mL)"."""
    measured, volume = amount.measured(kg)
    values = (("per_kg", said(amount.per_kg)), ("amount", said(measured)))
    if amount.strength is None or volume is None:
        capped = amount.at_most is not None and amount.per_kg.value * kg > amount.at_most.value
        return Message("amount.most" if capped else "amount.for-weight", values)
    substance, per = amount.strength
    of = (
        ("volume", said(volume)),
        ("substance", said(substance)),
        ("per", per.unit if per.value == 1 else said(per)),
    )
    return Message("amount.of-strength", (*values, *of))


def referral(facts: Facts, situation: Situation) -> Referral | None:
    """The referral, with its reasons; None when none is due."""
    if not situation.refers:
        return None
    sends = [item for item in situation.here_now if item.plan.referral != "none"]
    # Where a small weight or an allergy sends the infant, what it is ill with is told beside it.
    ill = [item for item in situation.here_now if not item.held.no_illness]
    classes = tuple(item.held.code for item in sends or ill)
    reasons = [_because(item.held) for item in sends or ill]
    if situation.very_low_weight:
        limit = str(facts.protocol.low_weight.outpatient_from.quantity)
        reasons.append(Message("referral.very-low-weight", (("limit", limit),)))
    reasons += [
        Message("referral.allergy", (("sign", Message(f"sign.{code}")),))
        for code in situation.blocked
    ]
    if not sends:
        reasons += _emergency_signs(facts, situation)
    reasons += [_because(held) for held, _ in _for_assessment(facts, situation)]
    option = situation.choice == "refer-or-here"
    return Referral(
        classes,
        tuple(reasons),
        urgent=True,
        only=situation.only,
        is_option=option,
        cite=sends[0].plan.cite if sends else _cite_without_class(facts, situation),
        possible=situation.choice != "here",
    )


def _emergency_signs(facts: Facts, situation: Situation) -> Iterator[Message]:
    """The signs of emergency actions, where no class says why the infant is referred."""
    for when in (item.when for item in situation.emergency if item.when is not None):
        found = tuple(test.what for test in reasons_of(when, facts, Answer.YES))
        yield Message("referral.emergency", (("signs", listed(found)),))


def _cite_without_class(facts: Facts, situation: Situation) -> Cite:
    if situation.emergency and not situation.very_low_weight:
        return facts.protocol.emergency_referral
    return facts.protocol.low_weight.cite


def assessment_referral(facts: Facts, situation: Situation) -> Referral | None:
    """The referral for assessment, without hurry; None when none is due or an urgent one is."""
    sent = () if situation.refers else tuple(_for_assessment(facts, situation))
    if not sent:
        return None
    return Referral(
        classes=tuple(held.code for held, _ in sent),
        reasons=tuple(_because(held) for held, _ in sent),
        urgent=False,
        only=False,
        is_option=False,
        cite=sent[0][1].cite,
    )


def _for_assessment(facts: Facts, situation: Situation) -> Iterator[tuple[Class, Assess]]:
    for item in situation.managed:
        wanted = item.plan.assessment
        if wanted is not None and (wanted.when is None or holds(wanted.when, facts)):
            yield item.held, wanted


def _because(held: Class) -> Message:
    return Message("referral.class", (("class", Message(f"class.{held.code}")),))


def care_items(
    facts: Facts, situation: Situation, kg: Decimal | None, *, unfinished: bool
) -> Iterator[Care]:
    """Care of each branch, each item once; `unfinished`: the assessment is not complete."""
    found: dict[str, Care] = {}
    first = [(_EVERY, _unfinished(facts.protocol, situation))] if unfinished else []
    for branch, items in (*first, *_branches(facts, situation)):
        for item in items:
            care = _care(item, branch, facts.protocol)
            if care.key not in found and is_shown(item, facts):
                found[care.key] = _for_weight(care, item, facts.protocol, kg)
    yield from found.values()


def _unfinished(protocol: Protocol, situation: Situation) -> tuple[CareItem, ...]:
    """An urgent referral does not wait for what is still needed (clinical content, section 3)."""
    return protocol.unfinished_referral if situation.refers else protocol.unfinished


def _branches(facts: Facts, situation: Situation) -> Iterator[tuple[str, Iterable[CareItem]]]:
    if situation.gives_before_referral:
        yield "refer", facts.protocol.referral_care
    if situation.very_low_weight and situation.treats_here:
        yield "here", facts.protocol.low_weight.care
    for managed in situation.managed:
        # Local care belongs to every branch: it is done before the infant leaves.
        local = managed.care_only or bool(managed.plan.absorbed_by)
        branch = _EVERY if local and situation.refers else "here"
        if branch == _EVERY or situation.treats_here:
            items = managed.plan.care
            if managed.plan.code != managed.held.code:
                # Of a treatment that goes on, only the care of signs that are there now.
                items = tuple(item for item in items if item.when is not None)
            yield branch, items


def counselling(facts: Facts, situation: Situation) -> tuple[Message, ...]:
    """What the caregiver is told when the infant goes home."""
    if not situation.treats_here or not situation.managed:
        return ()
    shown = (item for item in facts.protocol.counselling if is_shown(item, facts))
    return tuple([_care(item, _EVERY, facts.protocol).message for item in shown])
