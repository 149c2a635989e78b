"""What has to be said with the medicines of a plan: doses, conditions, courses that run."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from cds_service.case import Answer
from cds_service.content.medicine import Contraindication, Medicine, MedicineCaution
from cds_service.content.memo import once
from cds_service.content.model import Message, finding_tests
from cds_service.engine.assessment_model import Caution
from cds_service.engine.conditions import evaluate, holds
from cds_service.engine.courses import doses_so_far, is_outdated
from cds_service.engine.dose import numbers
from cds_service.engine.facts import Facts
from cds_service.engine.model import Order, RunningCourse
from cds_service.engine.past import past
from cds_service.engine.phrase import change_told, day
from cds_service.engine.situation import Situation
from cds_service.engine.trace import reasons
from cds_service.engine.words import listed, said

_PRESUMED = "low-birth-weight-presumed"


def order_cautions(
    facts: Facts,
    situation: Situation,
    orders: Iterable[Order],
    courses: Iterable[RunningCourse] = (),
) -> Iterator[Caution]:
    """Every caution about the orders: of each medicine, of what stops, of what runs already."""
    yield from _of_medicines(facts, orders, courses)
    yield from _changes(orders, courses, facts)
    yield from _stops(facts, situation, orders)
    yield from _running(facts, situation, orders)


def _changes(
    orders: Iterable[Order], courses: Iterable[RunningCourse], facts: Facts
) -> Iterator[Caution]:
    """From which day another dose is due, and orders that are of a dose before."""
    changing = [(each.dose.medicine.code, each.change, each.times_a_day) for each in orders]
    for course in (each for each in courses if each.is_told):
        times = int(facts.protocol.medicine_by_code[course.medicine].times_a_day.value)
        changing.append((course.medicine, course.change, times))
    for code, change, times in changing:
        if change is not None:
            values = (_name(code), *change_told(change, times))
            message = Message("caution.dose-changes", values)
            yield Caution("dose-changes", "moderate", message, medicine=code)
    for use in facts.case.in_use:
        if use.ordered and use.since is not None and is_outdated(use, facts):
            message = Message(
                "caution.order-outdated", (_name(use.medicine), ("since", day(use.since.date())))
            )
            yield Caution("order-outdated", "high", message, (use.origin,), medicine=use.medicine)


def _name(code: str) -> tuple[str, Message]:
    return "medicine", Message(f"medicine.{code}")


def _of_medicines(
    facts: Facts, orders: Iterable[Order], courses: Iterable[RunningCourse]
) -> Iterator[Caution]:
    found: list[Caution] = []
    for order in orders:
        medicine = order.dose.medicine
        later = doses_so_far(medicine, facts) > 0
        of_medicine = medicine_cautions(facts, medicine, order.days or 0, later=later)
        for caution in (*order.dose.cautions, *of_medicine):
            if caution not in found:
                found.append(caution)
    for course in courses:
        medicine = facts.protocol.medicine_by_code[course.medicine]
        days = -(-course.total // int(medicine.times_a_day.value))
        told = medicine_cautions(facts, medicine, days, later=course.is_begun)
        goes_on = () if course.complete else told
        # What concerns how a dose is worked out was settled when the order was written.
        found += [one for one in goes_on if one not in found and one.code != _PRESUMED]
    yield from found


def open_contraindications(medicine: Medicine, facts: Facts) -> list[Contraindication]:
    """Contraindications that are asked about and not known to hold or to be absent."""
    return [
        item
        for item in medicine.contraindications
        if item.asked and evaluate(item.when, facts) is Answer.NOT_ASSESSED
    ]


def open_before_next(medicine: Medicine, facts: Facts) -> list[Contraindication]:
    """What nobody has said of the doses after the first, where a caution says that it decides."""
    told = (each.when for each in medicine.cautions if each.after_first and each.when is not None)
    if not any(holds(when, facts) for when in told):
        return []
    return [
        item for item in medicine.before_next if evaluate(item.when, facts) is Answer.NOT_ASSESSED
    ]


class _Told(NamedTuple):
    """The cautions of one medicine, made of the content alone."""

    own: tuple[tuple[MedicineCaution, Caution, Caution], ...]
    """Each in its words before and after the first dose."""
    presumed: Caution | None
    """That the birth weight is taken not to be low, where a dose rule depends on it."""
    asked: tuple[tuple[str, Caution], ...]
    """For each sign that is asked about: that it was not."""


def _told(medicine: Medicine) -> _Told:
    def caution(code: str, severity: str, *values: tuple[str, str | Message]) -> Caution:
        message = Message(f"caution.{code}", (("medicine", name), *values))
        return Caution(code, severity, message, medicine=medicine.code)

    name = Message(f"medicine.{medicine.code}")
    signs = ((code, ("sign", Message(f"sign.{code}"))) for code in medicine.ask_first)
    return _Told(
        own=tuple(
            (
                each,
                caution(each.code, each.severity, *_numbers(each)),
                caution(each.after_first or each.code, each.severity, *_numbers(each)),
            )
            for each in medicine.cautions
        ),
        presumed=caution(_PRESUMED, "low") if _asks_birth_weight(medicine) else None,
        asked=tuple((code, caution("not-asked", "moderate", sign)) for code, sign in signs),
    )


def _numbers(own: MedicineCaution) -> Iterator[tuple[str, str | Message]]:
    yield "limit", said(own.beyond) if own.beyond is not None else ""
    yield from ((key, said(value)) for key, value in own.values)


def _asks_birth_weight(medicine: Medicine) -> bool:
    """Whether a dose rule of the medicine depends on a low birth weight."""
    conditions = (rule.when for rule in medicine.rules if rule.when is not None)
    return any(
        test.code == "low-birth-weight" for each in conditions for test in finding_tests(each)
    )


def medicine_cautions(
    facts: Facts, medicine: Medicine, days: int, *, later: bool = False
) -> Iterator[Caution]:
    """What has to be said when this medicine is given for so many days (0: once).

    `later`: the dose that is due is not the first.
    """
    told = once(facts.protocol.made, "cautions", medicine, _told)
    for item, first, after in told.own:
        too_long = item.beyond is None or days > item.beyond.value
        if too_long and (item.when is None or holds(item.when, facts)):
            yield after if later else first
    for each in open_contraindications(medicine, facts):
        yield _open_contraindication(each, medicine, facts)
    if told.presumed is not None and not facts.values.get("birth-weight"):
        yield told.presumed
    for code, caution in told.asked:
        if code not in facts.answers:
            yield caution


def _open_contraindication(each: Contraindication, medicine: Medicine, facts: Facts) -> Caution:
    unknown = listed(tuple(t.what for t in reasons(each.when, facts, Answer.NOT_ASSESSED)))
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    why = ("why", Message(f"no-dose.{each.code}", (name, *numbers(each, facts))))
    message = Message("caution.contraindication-open", (why, ("facts", unknown)))
    return Caution("contraindication-open", "moderate", message, medicine=medicine.code)


def _running(facts: Facts, situation: Situation, orders: Iterable[Order]) -> Iterator[Caution]:
    """A course that began before this visit and that no table judges: its class is not known."""
    if any(item.since is not None for item in situation.managed):
        return
    begun = any(o.days is not None and o.days * o.times_a_day - o.doses > 1 for o in orders)
    in_use = {use.medicine for use in facts.case.in_use}
    if begun or (in_use and in_use - _of_earlier_classes(facts)):
        yield Caution("course-running", "high", Message("caution.course-running"))


def _of_earlier_classes(facts: Facts) -> set[str]:
    """The medicines that the classes of earlier visits in the record are given."""
    plans = [facts.protocol.plan_by_code[each.code] for each in facts.case.earlier]
    courses = [c for plan in plans for regimen in plan.regimens for c in regimen.courses]
    return {code for course in courses for code in course.medicines}


def _stops(facts: Facts, situation: Situation, orders: Iterable[Order]) -> Iterator[Caution]:
    """Medicines that were given before a referral that failed, and are not continued here."""
    if situation.choice != "here" or not facts.case.given:
        return
    named = {
        code
        for item in situation.managed
        for course in item.plan.before_referral
        for code in course.medicines
    }
    ordered = {order.dose.medicine.code for order in orders}
    for code in sorted({dose.medicine for dose in facts.case.given} & named - ordered):
        if not _goes_on(facts, situation, code):
            name = ("medicine", Message(f"medicine.{code}"))
            yield Caution("medicine-stops", "moderate", Message("caution.medicine-stops", (name,)))


def _goes_on(facts: Facts, situation: Situation, code: str) -> bool:
    courses = (c for item in situation.managed if item.regimen for c in item.regimen.courses)
    return not past(code, facts).kept or any(code in c.medicines for c in courses)
