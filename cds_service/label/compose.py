"""A decision as the pages that are handed out: the medicine label and the caregiver's leaflet."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

from cds_service.content.model import Message
from cds_service.engine import fluid_words
from cds_service.engine.model import Decision, Plan
from cds_service.engine.phrase import day, number, visit
from cds_service.label.ink import Ink
from cds_service.label.item import item, only_if
from cds_service.label.page import Head, Item, Page, Section
from cds_service.label.speech import Speech

LABEL, LEAFLET = "label", "leaflet"
_RETURN, _LOUD = "care.return-at-once", "label.return"
_HOSPITAL = {"": "", "refer-or-here": "label.hospital-or-here", "here": "label.hospital-or-here"}
"""What is said of the hospital by the plan's choice; of every other: go there now."""


class Whom(NamedTuple):
    """Names as they were sent; "" leaves a line to write on."""

    infant: str = ""
    clinic: str = ""


def page(decision: Decision, kind: str, language: str, whom: Whom, ink: Ink) -> Page:
    """The label or the leaflet of a decision. `language` is one of the protocol's."""
    speech, plan = Speech(decision.protocol, language), decision.plan
    return Page(
        kind=kind,
        language=language,
        runs_left=speech.runs_left,
        head=_head(decision, kind, speech, whom),
        medicines=speech.say("label.medicines"),
        each_time=speech.say("label.each-time"),
        tick=speech.say("label.tick"),
        items=tuple(_items(plan, kind, speech, ink)),
        sections=tuple(_sections(plan, speech)) if kind == LEAFLET else (),
    )


def _items(plan: Plan, kind: str, speech: Speech, ink: Ink) -> Iterator[Item]:
    """Each order; in the leaflet what the caregiver gives comes first, and in full."""
    made = [item(order, plan, speech, ink) for order in plan.orders]
    if kind == LABEL:
        yield from made
        return
    yield from (each for each in made if each.at_home)
    yield from (replace(each, pictures=(), steps=()) for each in made if not each.at_home)


def _head(decision: Decision, kind: str, speech: Speech, whom: Whom) -> Head:
    case, say = decision.case, speech.say
    foot = ("write.proposal", "write.draft") if speech.is_draft else ("write.proposal",)
    made = Message("label.made-on", (("date", day(case.as_of.date())),))
    return Head(
        title=say("label.title" if kind == LABEL else "label.leaflet"),
        infant=whom.infant,
        infant_caption=say("label.name"),
        clinic=whom.clinic,
        clinic_caption=say("label.clinic"),
        checked_caption=say("label.checked-by"),
        made=say(made),
        weight=_weight(decision.plan, speech),
        warnings=tuple(map(say, _warnings(decision.plan, kind))),
        foot=tuple(map(say, foot)),
        foot_english=speech.english(*foot),
        trace=speech.apart(f"{decision.protocol.name} · {decision.id}"),
    )


def _weight(plan: Plan, speech: Speech) -> str:
    """The weight that the doses are for; "" where none counts on it."""
    for order in plan.orders:
        if order.dose.weight is not None:
            kg = f"{number(order.dose.weight.value)} {order.dose.weight.unit}"
            return speech.say(Message("label.weight", (("weight", kg),)))
    return ""


def _warnings(plan: Plan, kind: str) -> Iterator[str]:
    if plan.status == "data-required":
        yield "label.incomplete"
    if kind == LABEL:
        return
    hospital = _HOSPITAL.get(plan.choice, "label.hospital")
    if hospital:
        yield hospital
    elif plan.emergency:
        yield "label.hospital-or-here"
    elif plan.assessment_referral is not None:
        yield "label.hospital-assessment"


def _sections(plan: Plan, speech: Speech) -> Iterator[Section]:
    care = [each for each in plan.counselling if each.key != _RETURN]
    back = [each for each in plan.counselling if each.key == _RETURN]
    told: tuple[tuple[str, Iterable[str]], ...] = (
        ("label.already", map(speech.say, _courses(plan))),
        ("label.fluids", _fluids(plan, speech)),
        ("label.care", map(speech.say, care)),
        (_LOUD, map(speech.say, back)),
        ("label.visits", _visits(plan, speech)),
    )
    for heading, sentences in told:
        if lines := tuple(dict.fromkeys(sentences)):
            yield Section(speech.say(heading), lines, loud=heading == _LOUD)


def _courses(plan: Plan) -> Iterator[Message]:
    """What becomes of medicines that were ordered before: their own label has the dose."""
    for course in plan.courses:
        if course.is_told:
            name = ("medicine", Message(f"medicine.{course.medicine}"))
            yield Message(f"label.course.{course.state}", (name,))


def _fluids(plan: Plan, speech: Speech) -> Iterator[str]:
    """What is given by mouth; what runs into a vein or a tube is the health worker's."""
    for fluid in (each for each in plan.fluids if each.route == "oral"):
        told = (fluid_words.name(fluid), *fluid_words.how_much(fluid), *fluid.instructions)
        yield _limited(fluid.branch, " ".join(map(speech.say, told)), plan, speech)


def _visits(plan: Plan, speech: Speech) -> Iterator[str]:
    """Every visit with its date, the earliest first."""
    for each in sorted(plan.follow_ups, key=lambda each: (each.on, each.key)):
        told = f"{speech.say(visit(each))} {speech.say(each.message)}"
        yield _limited(each.branch, told, plan, speech)


def _limited(branch: str, told: str, plan: Plan, speech: Speech) -> str:
    """What holds in one branch only, after the words that say so."""
    limit = only_if(branch, plan)
    return f"{speech.say(limit)}: {told}" if limit else told
