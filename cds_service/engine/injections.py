"""What the medicines of a plan mean for its words: injections that are due, and what is left."""

from collections.abc import Iterator

from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.facts import Facts
from cds_service.engine.medication import Medication
from cds_service.engine.model import Order
from cds_service.engine.phrase import times
from cds_service.engine.situation import Managed
from cds_service.engine.words import said


def is_injection_due(facts: Facts, given: Medication) -> bool:
    """Whether any injection is due in the plan, in whatever branch, also one that still waits."""
    return any(medicine.is_injected for medicine in _due(facts, given))


def is_only_left(code: str, item: Managed, given: Medication) -> bool:
    """Whether this medicine alone is left of what the regimen of a class gives here."""
    if item.regimen is None or code not in _given_here(given):
        return False
    lost = {need.course.medicines for need in given.lost if need.branch == "here"}
    others = [each for each in item.regimen.courses if code not in each.medicines]
    return all(course.medicines in lost for course in others)


def injections_here(facts: Facts, given: Medication) -> tuple[Message, ...]:
    """Each injection that is given here more than once, with how often; an alternative as such."""
    orders = {order.dose.medicine.code: order for order in given.orders if order.branch == "here"}
    named = {order.key: Message(f"medicine.{code}") for code, order in orders.items()}
    told: dict[str, Message] = {}
    for medicine in _courses_here(facts, given):
        if medicine.is_injected:
            order = orders.get(medicine.code)
            told[medicine.code] = _instead(_often(medicine), order, named)
    return tuple(told.values())


def _instead(often: Message, order: Order | None, named: dict[str, Message]) -> Message:
    if order is None or not order.instead_of:
        return often
    values = (("other", named[order.instead_of]), ("injection", often))
    return Message("injection.instead", values)


def _often(medicine: Medicine) -> Message:
    a_day = int(medicine.times_a_day.value)
    values = (("medicine", Message(f"medicine.{medicine.code}")), ("times", times(a_day)))
    if a_day == 1:
        return Message("injection.once", values)
    return Message("injection.apart", (*values, ("apart", said(medicine.interval))))


def _due(facts: Facts, given: Medication) -> Iterator[Medicine]:
    by_code = facts.protocol.medicine_by_code
    yield from (order.dose.medicine for order in given.orders)
    yield from (by_code[each.medicine] for each in given.courses if each.state == "continue")
    yield from (by_code[need.course.medicines[0]] for need in given.waiting)


def _courses_here(facts: Facts, given: Medication) -> Iterator[Medicine]:
    by_code = facts.protocol.medicine_by_code
    for order in given.orders:
        if order.branch == "here" and order.days is not None:
            yield order.dose.medicine
    yield from (by_code[each.medicine] for each in given.courses if each.state == "continue")
    for need in given.waiting:
        if need.branch == "here" and need.course.days is not None:
            yield by_code[need.course.medicines[0]]


def _given_here(given: Medication) -> set[str]:
    """Medicines that are given here, or will be as soon as a dose can be made."""
    codes = {order.dose.medicine.code for order in given.orders if order.branch == "here"}
    codes |= {each.medicine for each in given.courses if each.state == "continue"}
    return codes | {need.course.medicines[0] for need in given.waiting if need.branch == "here"}
