"""What has to be said and asked about courses that run, and about doses that were vomited."""

from collections.abc import Iterable, Iterator

from cds_service.content.courses import SeeToday
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution, Missing
from cds_service.engine.conditions import holds
from cds_service.engine.facts import Facts
from cds_service.engine.model import Care, Order, RunningCourse, Vomited
from cds_service.engine.phrase import amount
from cds_service.engine.vomited import WINDOW, repeat_is_due, vomited
from cds_service.engine.words import said

_VOMITED = {
    "vomited-repeat": "moderate",
    "vomited-repeated": "low",
    "vomited-too-late": "low",
    "vomited-again": "high",
    "vomited-unknown": "moderate",
}
"""How grave each verdict on a vomited dose is."""


def course_cautions(
    courses: Iterable[RunningCourse], facts: Facts, *, treats_here: bool
) -> Iterator[Caution]:
    """Doses nobody recorded, missed doses, a course that stops, waits or is too short."""
    for course in courses:
        yield from _of_course(course, facts)
        # Of an infant who is sent away no course is asked for here.
        if course.ordered and course.state == "continue" and treats_here and not course.asked_for:
            yield _caution("course-not-asked-for", "moderate", course)
        yield from _missed(course, facts)
    again = {each.medicine for each in vomited(facts) if each.now and each.verdict == "again"}
    for each in vomited(facts):
        if each.now and not (each.verdict == "repeat" and each.medicine in again):
            yield _of_vomited(each, facts)


def _of_course(course: RunningCourse, facts: Facts) -> Iterator[Caution]:
    yield from _of_state(course)
    if course.longer is not None:
        yield _caution("course-too-short", "moderate", course, ("days", str(course.longer)))
    orders = [use for use in facts.case.in_use if use.medicine == course.medicine and use.ordered]
    if len(orders) > 1:
        severity = "moderate" if course.state == "continue" else "high"
        yield _caution("several-orders", severity, course)
    if course.ordered and course.doubt:
        message = Message(f"no-dose.{course.doubt}", (_name(course.medicine),))
        yield Caution(f"no-dose-{course.doubt}", "high", message, medicine=course.medicine)


def _of_state(course: RunningCourse) -> Iterator[Caution]:
    if course.unrecorded:
        count = ("count", str(course.unrecorded))
        yield _caution("course-unrecorded", "moderate", course, count)
    if course.replaced:
        yield _caution("course-replaced", "high", course)
    elif course.state == "stop" and not course.complete:
        yield _caution("course-forbidden", "high", course)
    if course.held is not None:
        yield course.held
    elif course.state == "hold":
        yield _caution("course-on-hold", "high", course)
        for ordered, due in course.differs:
            yield _caution("course-differs", "high", course, ("ordered", ordered), ("due", due))
    if course.complete:
        yield _caution("course-complete", "low", course)
    if course.state == "renew":
        yield _caution("course-to-renew", "moderate", course)


def _name(medicine: str) -> tuple[str, str | Message]:
    return "medicine", Message(f"medicine.{medicine}")


def _caution(
    code: str, severity: str, course: RunningCourse, *values: tuple[str, str | Message]
) -> Caution:
    origins = () if course.origin is None else (course.origin,)
    message = Message(f"caution.{code}", (_name(course.medicine), *values))
    return Caution(code, severity, message, origins, medicine=course.medicine)


def _missed(course: RunningCourse, facts: Facts) -> Iterator[Caution]:
    """Missed doses: so many in a row that the infant is assessed today, or a word of caution."""
    if not course.missed:
        return
    reached = [each for each in facts.protocol.courses.see_today if _reached(each, course, facts)]
    if reached:
        count = ("count", str(min(limit.missed.value for limit in reached)))
        yield _caution("missed-doses", "high", course, count)
    else:
        yield _caution("dose-missed", "moderate", course, ("count", str(course.missed)))


def _reached(limit: SeeToday, course: RunningCourse, facts: Facts) -> bool:
    known = course.medicine in limit.medicines and course.in_a_row >= limit.missed.value
    return known and (limit.when is None or holds(limit.when, facts))


def _of_vomited(each: Vomited, facts: Facts) -> Caution:
    values: tuple[tuple[str, str | Message], ...] = (
        ("window", said(dict(facts.protocol.values)[WINDOW])),
    )
    if each.medicine:
        values = (*values, _name(each.medicine))
    done = each.verdict == "repeat" and not repeat_is_due(facts, each.medicine)
    code = "vomited-repeated" if done else f"vomited-{each.verdict}"
    message = Message(f"caution.{code}", values)
    return Caution(code, _VOMITED[code], message, medicine=each.medicine)


def repeats(
    facts: Facts, orders: Iterable[Order], courses: Iterable[RunningCourse]
) -> Iterator[Care]:
    """The dose to repeat now, where one was lost at this visit and its treatment goes on.

    It is the dose that is due now: of an order, or of a course that runs by one.
    """
    lost = dict.fromkeys(each.medicine for each in vomited(facts) if each.is_lost)
    if not lost:
        return
    now = facts.case.as_of
    due: dict[str, tuple[str, Message]] = {
        each.medicine: (each.branch, _as_ordered(each)) for each in courses if each.repeat_now
    }
    for order in orders:
        if order.first_due == now:
            due.setdefault(order.dose.medicine.code, (order.branch, amount(order.dose.amount)))
    for code in lost:
        if code in due and repeat_is_due(facts, code):
            branch, measured = due[code]
            words = Message("care.repeat-the-dose", (_name(code), ("amount", measured)))
            key, cite = f"{branch or 'every'}.{code}.repeat-the-dose", facts.protocol.courses.cite
            yield Care(key, branch, words, cite, weighed=True)


def _as_ordered(course: RunningCourse) -> Message:
    """The amount of a repeat; never a volume without its strength (it is told with the course)."""
    if course.words.measured is not None:
        return course.words.measured
    told = course.amount is not None and course.amount.unit != "mL"
    return amount(course.amount) if told and course.amount else Message("amount.as-ordered")


def course_missing(courses: Iterable[RunningCourse], facts: Facts) -> Iterator[Missing]:
    """What to find out: doses nobody recorded, and when a dose was given or vomited."""
    for course in courses:
        if course.unrecorded or course.doubt:
            required = course.next_due is None and course.left > 0
            why = Message("missing.medicine")
            yield Missing("medicine", course.medicine, why, required=required)
    if any(each.verdict == "unknown" for each in vomited(facts)):
        why = Message("missing.vomited")
        yield Missing("finding", "vomited-after-dose", why, required=False)
