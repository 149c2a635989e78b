"""Which medicines a plan proposes, and why any that is due cannot be given.

One medicine, one order in each branch; what cannot be given yields no order but a caution that
says why (design, decisions 5 and 8).
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from cds_service.case import Answer, Origin
from cds_service.content.medicine import Contraindication, Medicine
from cds_service.content.model import Message
from cds_service.content.plans import Course
from cds_service.content.treatment import VOMITED, Protocol
from cds_service.engine.assessment_model import Caution, Missing, Weight
from cds_service.engine.course_cautions import course_cautions, course_missing
from cds_service.engine.course_holds import beside_others
from cds_service.engine.courses import doses_so_far, running_courses, serves
from cds_service.engine.dose import not_met
from cds_service.engine.facts import Facts
from cds_service.engine.given_doses import given_amiss
from cds_service.engine.in_use import SAID_TO_BE_GIVEN, in_use_cautions
from cds_service.engine.model import Need, NoDose, Order, RunningCourse
from cds_service.engine.order_cautions import (
    open_before_next,
    open_contraindications,
    order_cautions,
)
from cds_service.engine.orders import make_orders
from cds_service.engine.situation import Situation, is_lost
from cds_service.engine.trace import reasons
from cds_service.engine.words import listed, reading


class Medication(NamedTuple):
    """The medicine part of a plan: orders, cautions about them, what was missing for them."""

    orders: tuple[Order, ...] = ()
    cautions: tuple[Caution, ...] = ()
    missing: tuple[Missing, ...] = ()
    courses: tuple[RunningCourse, ...] = ()
    later: tuple[NoDose, ...] = ()
    """What is due here, and waits for an age: `begins` says for which day."""
    waiting: tuple[Need, ...] = ()
    """Due, but no dose is made until a weight or an age is known."""
    lost: tuple[Need, ...] = ()
    """Due, and nothing that serves can be given: an allergy, no stock, a contraindication."""


_MEASURES = frozenset({"weight", "birth-weight", "gestational-age", "postmenstrual-age"})

# A dose that fails these checks is due all the same: the weight is asked for again.
_WEIGH = frozenset({"outside-range", "above-ceiling", "too-small-to-measure"})

_NO_WEIGHT, _NOT_IN_STOCK = "no-weight", "not-in-stock"

# Why there is no dose now that does not take the medicine away from this treatment.
_PASSING = frozenset(
    {_NO_WEIGHT, "rule-open", "already-given", "course-complete", "already-being-given"}
)

_NOT_GRAVE = frozenset({"not-offered", "already-given", "course-complete"})

# Whether and when a dose was given has to be found out before the next one.
_WHEN = frozenset(
    {
        "given-at-unknown-time",
        "record-missing",
        "record-unclear",
        "doses-too-close",
        SAID_TO_BE_GIVEN,
    }
)


def _needs(situation: Situation) -> list[Need]:
    found: list[Need] = []
    is_option = situation.choice in ("refer-or-here", "refer-then-here")
    if situation.gives_before_referral:
        open_choice = situation.choice == "refer-or-here"
        for item in situation.managed:
            for course in item.before_referral:
                _add(found, Need(course, "refer", (item.held.code,), item.plan.cite, open_choice))
    if situation.treats_here:
        before = frozenset(code for need in found for code in need.course.medicines)
        for item in situation.managed:
            if item.regimen is not None:
                held = (item.held.code,)
                for course in item.regimen.courses:
                    # A length that an adaptation has changed names its own source.
                    cite = item.regimen.cite if course.days is None else course.days.cite
                    new = _length(course) if item.since is None else 0
                    made = Need(course, "here", held, cite, is_option, before, item.since, new)
                    _add(found, made)
    return found


def _add(needs: list[Need], new: Need) -> None:
    """One medicine, one order: two classes that ask for it get the longer course."""
    for index, old in enumerate(needs):
        if old.branch == new.branch and old.course.medicines[0] == new.course.medicines[0]:
            longer = max(old, new, key=lambda need: _length(need.course))
            begun = [need.since for need in (old, new) if need.since is not None]
            since = min(begun, default=None)
            classes, new_days = (*old.classes, *new.classes), max(old.new_days, new.new_days)
            needs[index] = longer._replace(classes=classes, since=since, new_days=new_days)
            return
    needs.append(new)


def _length(course: Course) -> int:
    return 0 if course.days is None else int(course.days.value)


def medication(facts: Facts, situation: Situation, weight: Weight) -> Medication:
    """Every order that is due in every branch, what runs already, and what is to be said."""
    needs = _needs(situation)
    courses = running_courses(needs, facts, weight.kg)
    open_needs = [need for need in needs if not any(serves(each, need) for each in courses)]
    given = _medication(facts, situation, weight, open_needs, courses)
    cautions = (*given_amiss(facts, weight.kg), *given.cautions)
    in_use = in_use_cautions(facts, weight.kg, courses, given.orders, cautions)
    cautions = (*cautions, *in_use)
    courses, orders, told = beside_others(courses, needs, given.orders, cautions, facts, situation)
    missing = (*given.missing, *_asked_before_next(orders, courses, facts))
    given = given._replace(orders=orders, cautions=(*cautions, *told), missing=missing)
    if not courses and VOMITED not in facts.answers:
        return given
    return given._replace(
        cautions=(
            *given.cautions,
            *course_cautions(courses, facts, treats_here=situation.treats_here),
        ),
        missing=(*given.missing, *course_missing(courses, facts)),
        courses=courses,
    )


def _medication(
    facts: Facts,
    situation: Situation,
    weight: Weight,
    needs: list[Need],
    courses: tuple[RunningCourse, ...],
) -> Medication:
    if not needs:
        about = order_cautions(facts, situation, (), courses) if courses else ()
        return Medication(cautions=(*_about(weight), *about), missing=tuple(_again(weight)))
    held_back = _held_back(facts, situation, weight, needs)
    if held_back is not None:
        return held_back
    orders: list[Order] = []
    refused: list[NoDose] = []
    waiting: list[Need] = []
    lost: list[Need] = []
    for need in needs:
        if weight.kg is None and _waits(need, facts):
            waiting.append(need)
            continue
        made, without = make_orders(need, facts, weight.kg)
        orders += made
        if without and not made and all(_is_lasting(no) for no in without):
            lost.append(need)
            without = _together(without)
        if any(no.code == _NO_WEIGHT for no in without):
            waiting.append(need)
        refused += (no for no in without if no.code != _NO_WEIGHT)
    withheld = _for_want_of_weight(weight, waiting)
    cautions = (
        *withheld.cautions,
        *_refusals(facts, refused, something_left=_is_something_left(orders, courses, lost)),
        *order_cautions(facts, situation, orders, courses),
    )
    missing = (*withheld.missing, *_asked_with(facts, orders), *_open(refused))
    later = tuple(no for no in _once(refused) if no.begins is not None)
    return Medication(
        tuple(orders),
        cautions,
        missing,
        later=later,
        waiting=tuple(waiting),
        lost=tuple(lost),
    )


def _is_lasting(no: NoDose) -> bool:
    return no.code not in _PASSING and no.code not in _WHEN


def _together(without: list[NoDose]) -> list[NoDose]:
    """What is due and what may take its place are told as one, where none of them is in stock."""
    absent = [no for no in without if no.code == _NOT_IN_STOCK]
    if len(absent) < 2:
        return without
    first, *others = absent
    names = listed(tuple(Message(f"medicine.{no.medicine}") for no in others))
    name = ("medicine", Message(f"medicine.{first.medicine}"))
    told = first._replace(reason=Message("no-dose.none-in-stock", (name, ("others", names))))
    return [told, *(no for no in without if no.code != _NOT_IN_STOCK)]


def _is_something_left(
    orders: Iterable[Order], courses: Iterable[RunningCourse], lost: Iterable[Need]
) -> bool:
    """Whether anything is still given for the classes of which a medicine cannot be given."""
    classes = {code for need in lost for code in need.classes}
    if any(classes & set(order.classes) for order in orders):
        return True
    return any(course.state == "continue" and course.asked_for for course in courses)


def _waits(need: Need, facts: Facts) -> bool:
    """Whether only a weight is wanting; what can never be given does not wait for one."""
    return not _may_be_fixed(need, facts.protocol) and not is_lost(need.course, facts, None)


def _may_be_fixed(need: Need, protocol: Protocol) -> bool:
    """Whether some rule of its medicines gives an amount whatever the weight."""
    medicines = (protocol.medicine_by_code[code] for code in need.course.medicines)
    return any(rule.fixed for medicine in medicines for rule in medicine.rules)


def _for_want_of_weight(weight: Weight, waiting: list[Need]) -> Medication:
    """What is said about the weight, and what waits for one that is believed."""
    if weight.hold is None or not waiting:
        return Medication(cautions=_about(weight), missing=tuple(_again(weight)))
    asked = Missing("measure", "weight", Message("missing.weight"), required=True)
    caution = _withheld(waiting, weight.hold, weight.origins, weigh_again=weight.weigh_again)
    return Medication(cautions=(caution,), missing=(asked,))


def _about(weight: Weight) -> tuple[Caution, ...]:
    """The cautions about the weight; the doubt about it, when no dose waits for it."""
    if weight.hold is None or not weight.weigh_again:
        return weight.cautions
    return (Caution("weigh-again", "high", weight.hold, weight.origins), *weight.cautions)


def _held_back(
    facts: Facts, situation: Situation, weight: Weight, needs: list[Need]
) -> Medication | None:
    """Why no dose at all can be made: the age, or a baby too light."""
    if not facts.age_is_inside():
        why = Message("no-dose.age-unknown" if facts.age is None else "no-dose.age-span")
        asked = Missing("age", "age", why, required=True)
        cautions = (*weight.cautions, _withheld(needs, why))
        return Medication(cautions=cautions, missing=(asked,), waiting=tuple(needs))
    if situation.too_light_to_dose and weight.kg is not None:
        least = facts.protocol.low_weight.dose_from.quantity
        values = (("weight", reading(weight.quantity)), ("least", str(least)))
        caution = _withheld(needs, Message("no-dose.too-light", values), weight.origins)
        return Medication(cautions=(*weight.cautions, caution), missing=tuple(_again(weight)))
    return None


def _withheld(
    needs: list[Need],
    why: Message,
    origins: tuple[Origin, ...] = (),
    *,
    weigh_again: bool = False,
) -> Caution:
    codes = dict.fromkeys(need.course.medicines[0] for need in needs)
    names = listed(tuple(Message(f"medicine.{code}") for code in codes))
    message = Message("no-dose.held", (("medicines", names), ("why", why)))
    return Caution("weigh-again" if weigh_again else "no-dose", "high", message, origins)


def _once(refused: Iterable[NoDose]) -> list[NoDose]:
    return list({(no.medicine, no.code): no for no in refused}.values())


def _refusals(
    facts: Facts, refused: Iterable[NoDose], *, something_left: bool
) -> Iterator[Caution]:
    """Why medicines are not given; those that one allergy forbids are told together."""
    each = _once(refused)
    allergic = [no for no in each if no.code == "allergy"]
    if allergic:
        names = listed(tuple(Message(f"medicine.{no.medicine}") for no in allergic))
        origins = {o for no in allergic for sign in no.signs for o in facts.origins[sign]}
        key = "no-dose.allergy" if something_left else "no-dose.allergy-nothing-left"
        message = Message(key, (("medicine", names),))
        yield Caution("no-dose-allergy", "high", message, tuple(sorted(origins)))
    yield from (_no_dose(no) for no in each if no.code != "allergy")


def _no_dose(no: NoDose) -> Caution:
    action = not_met(no)
    severity = no.severity or ("moderate" if no.code in _NOT_GRAVE else "high")
    code = f"no-dose-{no.code}"
    return Caution(code, severity, no.reason, no.origins, action=action, medicine=no.medicine)


def _open(refused: Iterable[NoDose]) -> Iterator[Missing]:
    """What to find out for a dose that waits, or for an alternative that is not offered yet."""
    for no in refused:
        for test in no.missing:
            if test.answer is Answer.NOT_ASSESSED:
                required = no.code == "rule-open"
                yield Missing(_kind(test.fact), test.fact, no.reason, required=required)
        if no.code in _WEIGH:
            yield Missing("measure", "weight", no.reason, required=True)
        if no.code in _WHEN:
            yield Missing("medicine", no.medicine, Message("missing.medicine"), required=True)


def _kind(fact: str) -> str:
    return "age" if fact == "age" else "measure" if fact in _MEASURES else "finding"


def _again(weight: Weight) -> Iterator[Missing]:
    if weight.weigh_again:
        yield Missing("measure", "weight", Message("missing.weigh-again"), required=False)


def _name(order: Order) -> tuple[str, Message]:
    return "medicine", Message(f"medicine.{order.dose.medicine.code}")


def _asked_with(facts: Facts, orders: Iterable[Order]) -> Iterator[Missing]:
    """Allergies and the like that were not asked about, for medicines given all the same.

    Where an allergy was recorded that could not be used or understood, the answer is required.
    """
    recorded = any(each.reason == "allergy-not-understood" for each in facts.case.refusals)
    for order in orders:
        for code in order.dose.medicine.ask_first:
            if code not in facts.answers:
                why = Message("missing.allergy", (_name(order),))
                yield Missing("finding", code, why, recorded or code in facts.unsettled)
        medicine = order.dose.medicine
        for item in open_contraindications(medicine, facts):
            yield from _decides(item, medicine, facts, required=False)


def _asked_before_next(
    orders: Iterable[Order], courses: Iterable[RunningCourse], facts: Facts
) -> Iterator[Missing]:
    """What must be known before a dose that is due now and is not the first of its medicine."""
    now, by_code = facts.case.as_of, facts.protocol.medicine_by_code
    due = [
        each.dose.medicine
        for each in orders
        if each.first_due <= now and doses_so_far(each.dose.medicine, facts)
    ]
    due += [
        by_code[each.medicine]
        for each in courses
        if each.is_begun and each.next_due is not None and each.next_due <= now
    ]
    for medicine in due:
        for item in open_before_next(medicine, facts):
            yield from _decides(item, medicine, facts, required=True)


def _decides(
    item: Contraindication, medicine: Medicine, facts: Facts, *, required: bool
) -> Iterator[Missing]:
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    why = Message("missing.contraindication", (name,))
    for test in reasons(item.when, facts, Answer.NOT_ASSESSED):
        yield Missing(_kind(test.fact), test.fact, why, required=required)
