"""What has to be said and asked about courses that run, and about doses that were vomited."""

from collections.abc import Iterable, Iterator
from itertools import groupby

from cds_service.content.courses import SeeToday
from cds_service.content.model import Cite, Message
from cds_service.engine.conditions import holds
from cds_service.engine.courses import past
from cds_service.engine.facts import Facts
from cds_service.engine.model import Care, Caution, Missing, RunningCourse, Vomited
from cds_service.engine.vomited import WINDOW, repeat_is_due, vomited
from cds_service.engine.words import said

_VOMITED = {"repeat": "moderate", "too-late": "low", "again": "high", "unknown": "moderate"}
"""How grave each verdict on a vomited dose is."""


def course_cautions(courses: Iterable[RunningCourse], facts: Facts) -> Iterator[Caution]:
    """Doses nobody recorded, missed doses, a course that stops, waits or is too short."""
    for course in courses:
        yield from _of_course(course)
    yield from _see_today(facts)
    yield from (_of_vomited(each, facts) for each in vomited(facts) if each.now)


def _of_course(course: RunningCourse) -> Iterator[Caution]:
    name = ("medicine", Message(f"medicine.{course.medicine}"))
    if course.unrecorded:
        count = (name, ("count", str(course.unrecorded)))
        yield _caution("course-unrecorded", "moderate", course, count)
    if course.state == "stop" and not course.complete:
        yield _caution("course-forbidden", "high", course, (name,))
    if course.state == "hold":
        yield _caution("course-on-hold", "high", course, (name,))
    if course.complete:
        yield _caution("course-complete", "low", course, (name,))
    if course.longer is not None:
        longer = (name, ("days", str(course.longer)))
        yield _caution("course-too-short", "moderate", course, longer)


def _caution(
    code: str,
    severity: str,
    course: RunningCourse,
    values: tuple[tuple[str, str | Message], ...],
) -> Caution:
    origins = () if course.origin is None else (course.origin,)
    message = Message(f"caution.{code}", values)
    return Caution(code, severity, message, origins, medicine=course.medicine)


def _see_today(facts: Facts) -> Iterator[Caution]:
    for rule in facts.protocol.courses.see_today if facts.case.missed else ():
        if rule.when is None or holds(rule.when, facts):
            for code in rule.medicines:
                if _in_a_row(code, facts) >= rule.missed.value:
                    yield _missed(code, rule)


def _in_a_row(code: str, facts: Facts) -> int:
    """The most doses of a medicine that were missed one after another."""
    record = past(code, facts)
    events = sorted([*((at, False) for at in record.kept), *((at, True) for at in record.missed)])
    runs = [len(list(run)) for missed, run in groupby(events, key=lambda each: each[1]) if missed]
    return max([*runs, record.missed_some_time])


def _missed(code: str, rule: SeeToday) -> Caution:
    values = (("medicine", Message(f"medicine.{code}")), ("count", str(rule.missed.value)))
    message = Message("caution.missed-doses", values)
    return Caution("missed-doses", "high", message, medicine=code)


def _of_vomited(each: Vomited, facts: Facts) -> Caution:
    within = said(dict(facts.protocol.values)[WINDOW])
    name: tuple[tuple[str, str | Message], ...] = (("window", within),)
    if each.medicine:
        name = (*name, ("medicine", Message(f"medicine.{each.medicine}")))
    code = f"vomited-{each.verdict}"
    message = Message(f"caution.{code}", name)
    return Caution(code, _VOMITED[each.verdict], message, medicine=each.medicine)


def repeats(facts: Facts) -> Iterator[Care]:
    """The dose to repeat now, where one was lost at this visit and nothing was given since."""
    for code in dict.fromkeys(each.medicine for each in vomited(facts) if each.is_lost):
        if repeat_is_due(facts, code):
            words = Message("care.repeat-the-dose", (("medicine", Message(f"medicine.{code}")),))
            yield Care(f"every.repeat-the-dose.{code}", "", words, Cite((), "practice"))


def course_missing(courses: Iterable[RunningCourse], facts: Facts) -> Iterator[Missing]:
    """What to find out: doses nobody recorded, and when a dose was given or vomited."""
    for course in courses:
        if course.unrecorded or (course.state == "continue" and course.next_due is None):
            required = course.next_due is None
            why = Message("missing.medicine")
            yield Missing("medicine", course.medicine, why, required=required)
    if any(each.verdict == "unknown" for each in vomited(facts)):
        why = Message("missing.vomited")
        yield Missing("finding", "vomited-after-dose", why, required=False)
