"""Courses that wait, or stop, because the plan gives a medicine of the same kind now.

Clinical content, section 2: under a severe class only its local care is added; section 3:
pre-referral treatment is one dose of ampicillin (or benzylpenicillin) and gentamicin, critical
illness ampicillin and gentamicin; if the referral fails amoxicillin starts at once and ampicillin
stops (critical illness: continues). So a penicillin that runs is not given beside another now.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Caution
from cds_service.engine.courses import kind, serves
from cds_service.engine.dose import unsafe_next
from cds_service.engine.facts import Facts
from cds_service.engine.given_doses import TOO_MUCH
from cds_service.engine.in_use import IN_USE_TOO_HIGH
from cds_service.engine.model import Need, Order, RunningCourse
from cds_service.engine.situation import Situation

_GIVEN = "no-dose-already-given"


class _Given(NamedTuple):
    """A medicine that is given in a branch because of what was found at this visit."""

    branch: str
    medicine: str


def beside_others(
    courses: tuple[RunningCourse, ...],
    needs: Sequence[Need],
    orders: Sequence[Order],
    cautions: Iterable[Caution],
    facts: Facts,
    situation: Situation,
) -> tuple[tuple[RunningCourse, ...], tuple[Order, ...], tuple[Caution, ...]]:
    """The courses and the orders that go on, and the words about orders that are left out."""
    if not (courses or facts.case.given or facts.case.earlier or facts.case.in_use):
        return courses, tuple(orders), ()
    grave = {each.medicine: each for each in cautions if each.code in (TOO_MUCH, IN_USE_TOO_HIGH)}
    courses = tuple(_checked(each, facts, grave.get(each.medicine)) for each in courses)
    orders = [each for each in orders if each.dose.medicine.code not in grave]
    given = _given(courses, needs, orders, cautions)
    if not given:
        return courses, tuple(orders), ()
    protocol = facts.protocol
    kept: list[Order] = []
    told: list[Caution] = []
    for order in orders:
        code = order.dose.medicine.code
        other = _same_kind(code, (order.branch,), given, protocol)
        if other and _only_goes_on(code, order.branch, needs):
            told.append(_waits("course-beside-injection", code, other))
        else:
            kept.append(order)
    judged = tuple(_judged(each, given, situation, protocol) for each in courses)
    return judged, tuple(kept), tuple(told)


def _given(
    courses: Iterable[RunningCourse],
    needs: Sequence[Need],
    orders: Iterable[Order],
    cautions: Iterable[Caution],
) -> dict[_Given, None]:
    """What is given for a class of this visit: ordered now, given just before, or running."""
    found = dict.fromkeys(
        _Given(order.branch, order.dose.medicine.code)
        for order in orders
        if not order.instead_of and not _only_goes_on(order.dose.medicine.code, order.branch, needs)
    )
    before = {caution.medicine for caution in cautions if caution.code == _GIVEN}
    for need in (need for need in needs if _is_new(need)):
        codes = [code for code in need.course.medicines if code in before]
        runs = [each for each in courses if each.state == "continue" and serves(each, need)]
        codes += [each.medicine for each in runs]
        found |= {_Given(need.branch, code): None for code in codes}
    return found


def _only_goes_on(code: str, branch: str, needs: Iterable[Need]) -> bool:
    """Whether a medicine is due in a branch only by a treatment that was begun before."""
    own = [need for need in needs if need.branch == branch and code in need.course.medicines]
    return bool(own) and not any(map(_is_new, own))


def _is_new(need: Need) -> bool:
    """Whether a class of this visit asks for it."""
    return need.since is None or need.new_days > 0


def _same_kind(
    code: str, branches: tuple[str, ...], given: Iterable[_Given], protocol: Protocol
) -> str:
    """Another medicine of the kind that is given in one of the branches; or ""."""
    own = kind(protocol.medicine_by_code[code])
    return next(
        (
            each.medicine
            for each in given
            if each.branch in branches
            and each.medicine != code
            and kind(protocol.medicine_by_code[each.medicine]) == own
        ),
        "",
    )


def _judged(
    course: RunningCourse, given: dict[_Given, None], situation: Situation, protocol: Protocol
) -> RunningCourse:
    if course.state == "stop" or not course.ordered or _is_given(course, given):
        return course
    code = course.medicine
    other = _same_kind(code, ("here",), given, protocol) if course.branch != "refer" else ""
    if other and not course.asked_for:
        return _without_dose(course)._replace(state="stop", branch="here", replaced=True)
    if course.state == "hold":
        return course  # for a reason of its own, which stays
    if other:
        return _held(course, "course-beside-injection", other)
    other = _same_kind(code, ("refer",), given, protocol)
    if other and situation.choice == "refer":
        return _held(course, _afterwards(code, situation, protocol), other)
    return course


def _checked(course: RunningCourse, facts: Facts, grave: Caution | None) -> RunningCourse:
    """A course of which far too much was given, or whose next dose may not be given now."""
    if grave is not None and course.state in ("continue", "renew"):
        return _without_dose(course)._replace(state="hold", held=grave)
    if course.next_due is None or not course.is_begun:
        return course
    medicine = facts.protocol.medicine_by_code[course.medicine]
    unsafe = unsafe_next(medicine, course.next_due, facts)
    if unsafe is None:
        return course
    origins = () if course.origin is None else (course.origin,)
    code, severity = f"no-dose-{unsafe.code}", unsafe.severity
    waits = Caution(code, severity, unsafe.reason, origins, medicine=course.medicine)
    return _without_dose(course)._replace(state="hold", held=waits)


def _is_given(course: RunningCourse, given: dict[_Given, None]) -> bool:
    """Whether a class of this visit asks for the medicine itself, here."""
    return _Given("here", course.medicine) in given


def _afterwards(code: str, situation: Situation, protocol: Protocol) -> str:
    """What becomes of a course when the referral fails, as the name of a caution."""
    begun = {
        each
        for item in situation.managed
        if item.regimen is not None and item.since is None
        for course in item.regimen.courses
        for each in course.medicines
    }
    own = kind(protocol.medicine_by_code[code])
    if code in begun or not any(kind(protocol.medicine_by_code[each]) == own for each in begun):
        return "course-beside-referral"
    return "course-beside-referral-on"


def _held(course: RunningCourse, code: str, other: str) -> RunningCourse:
    origins = () if course.origin is None else (course.origin,)
    waits = _waits(code, course.medicine, other)._replace(origins=origins)
    return _without_dose(course)._replace(state="hold", held=waits)


def _without_dose(course: RunningCourse) -> RunningCourse:
    return course._replace(next_due=None, last_day=None, repeat_now=False, doubt="")


def _waits(code: str, medicine: str, other: str) -> Caution:
    names = (("medicine", medicine), ("other", other))
    values = tuple((name, Message(f"medicine.{each}")) for name, each in names)
    return Caution(code, "high", Message(f"caution.{code}", values), medicine=medicine)
