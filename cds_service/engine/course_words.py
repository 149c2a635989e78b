"""A course that runs in words: Messages that every way of writing a plan shares."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.engine.model import RunningCourse
from cds_service.engine.phrase import cited, day, moment


def title(course: RunningCourse) -> Message:
    """What is to be done with it: continue, stop, hold or renew, or why it waits."""
    own = f"course.held.{course.held.code}" if course.held is not None else ""
    key = own or f"care.{course.state}-course"
    return Message(key, (("medicine", Message(f"medicine.{course.medicine}")),))


def details(course: RunningCourse) -> Iterator[Message]:
    """The day, the count of doses, the next dose and the last day, a sentence each."""
    yield Message("course.day", (("day", str(course.day)), ("began", day(course.began))))
    numbers = ("given", "missed", "unrecorded", "left", "total")
    yield Message("course.count", tuple((name, str(getattr(course, name))) for name in numbers))
    yield from _dose(course)
    if course.repeat_now:
        yield Message("course.repeat-now")
    if course.next_due is not None:
        yield Message("due.next", (("moment", moment(course.next_due)),))
    if course.last_day is not None:
        yield Message("course.last", (("date", day(course.last_day)),))
    if course.missed or course.unrecorded:
        yield Message("course.never-double")
    yield Message("source-told", (("cited", cited(course.cite)),))


def _dose(course: RunningCourse) -> Iterator[Message]:
    """One dose as ordered; how it is made ready only where it may be given."""
    if course.state == "stop":
        return
    yield from course.words.ordered
    if course.state in ("continue", "renew"):
        yield from course.words.ready
