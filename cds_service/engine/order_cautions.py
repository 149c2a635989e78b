"""What has to be said with the medicines of a plan: doses, conditions, courses that run."""

from collections.abc import Iterable, Iterator

from cds_service.case import Answer
from cds_service.content.medicine import Contraindication, Medicine
from cds_service.content.model import Message, finding_tests
from cds_service.content.treatment import Protocol
from cds_service.engine.conditions import evaluate, holds
from cds_service.engine.courses import past
from cds_service.engine.facts import Facts
from cds_service.engine.model import Caution, Order, RunningCourse
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
    yield from _stops(facts, situation, orders)
    yield from _running(facts, situation, orders)


def _of_medicines(
    facts: Facts, orders: Iterable[Order], courses: Iterable[RunningCourse]
) -> Iterator[Caution]:
    found: list[Caution] = []
    for order in orders:
        of_medicine = _medicine_cautions(facts, order.dose.medicine, order.days or 0)
        for caution in (*order.dose.cautions, *of_medicine):
            if caution not in found:
                found.append(caution)
    for course in courses:
        medicine = facts.protocol.medicine_by_code[course.medicine]
        days = -(-course.total // int(medicine.times_a_day.value))
        goes_on = () if course.complete else _medicine_cautions(facts, medicine, days)
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


def _asks_birth_weight(medicine: Medicine, protocol: Protocol) -> bool:
    """Whether a dose rule of the medicine depends on a low birth weight."""
    key = ("asks-birth-weight", medicine.code)
    found: bool | None = protocol.made.get(key)
    if found is None:
        conditions = (rule.when for rule in medicine.rules if rule.when is not None)
        tested = {test.code for when in conditions for test in finding_tests(when)}
        found = protocol.made[key] = "low-birth-weight" in tested
    return found


def _medicine_cautions(facts: Facts, medicine: Medicine, days: int) -> Iterator[Caution]:
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    for item in medicine.cautions:
        too_long = item.beyond is None or days > item.beyond.value
        if too_long and (item.when is None or holds(item.when, facts)):
            limit = said(item.beyond) if item.beyond is not None else ""
            numbers = tuple((key, said(value)) for key, value in item.values)
            message = Message(f"caution.{item.code}", (name, ("limit", limit), *numbers))
            yield Caution(item.code, item.severity, message, medicine=medicine.code)
    for each in open_contraindications(medicine, facts):
        unknown = listed(tuple(t.what for t in reasons(each.when, facts, Answer.NOT_ASSESSED)))
        numbers = tuple((key, said(value)) for key, value in each.values)
        why = ("why", Message(f"no-dose.{each.code}", (name, *numbers)))
        message = Message("caution.contraindication-open", (why, ("facts", unknown)))
        yield Caution("contraindication-open", "moderate", message, medicine=medicine.code)
    if not facts.values.get("birth-weight") and _asks_birth_weight(medicine, facts.protocol):
        message = Message("caution.low-birth-weight-presumed", (name,))
        yield Caution(_PRESUMED, "low", message, medicine=medicine.code)
    for code in medicine.ask_first:
        if code not in facts.answers:
            asked = (name, ("sign", Message(f"sign.{code}")))
            message = Message("caution.not-asked", asked)
            yield Caution("not-asked", "moderate", message, medicine=medicine.code)


def _running(facts: Facts, situation: Situation, orders: Iterable[Order]) -> Iterator[Caution]:
    """A course that began before this visit and that no table judges: its class is not known."""
    begun = any(o.days is not None and o.days * o.times_a_day - o.doses > 1 for o in orders)
    judged = any(item.since is not None for item in situation.managed)
    unknown = {use.medicine for use in facts.case.in_use} - _of_earlier_classes(facts)
    if (begun or unknown) and not judged:
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
