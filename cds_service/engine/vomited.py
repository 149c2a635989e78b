"""Doses that were vomited: repeat, do not repeat, or seek advice, by the minutes since the dose.

Clinical content, section 6: spat out or vomited within the window: repeat the whole dose once;
after it: do not repeat; the repeated dose is vomited too: do not repeat, seek advice.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

from cds_service.case import Answer
from cds_service.content.treatment import VOMITED, Protocol
from cds_service.engine.facts import Facts
from cds_service.engine.model import Vomited
from cds_service.engine.settle import visit_begins

WINDOW = "repeat_window"
"""The name of the value in protocol.yaml."""


def vomited(facts: Facts) -> tuple[Vomited, ...]:
    """Every vomited dose, once, in the order of time; judged once for each infant."""
    if facts.vomited is None:
        times = {
            each.at
            for each in facts.case.findings
            if each.code == VOMITED and each.answer is Answer.YES
        }
        facts.vomited = tuple(_judged(times, facts)) if times else ()
    return facts.vomited


def not_kept(facts: Facts, medicine: str) -> set[datetime]:
    """Times of the doses of a medicine that count as not given."""
    return {
        each.dose_at
        for each in vomited(facts)
        if each.medicine == medicine and each.verdict == "repeat" and each.dose_at is not None
    }


def repeat_is_due(facts: Facts, medicine: str) -> bool:
    """Whether a dose was lost at this visit and nothing of the medicine was given since."""
    lost = [each.dose_at for each in vomited(facts) if each.medicine == medicine and each.is_lost]
    if not lost:
        return False
    given = [dose.at for dose in facts.case.given if dose.medicine == medicine]
    return any(
        at is not None and all(later is not None and later <= at for later in given) for at in lost
    )


def window(protocol: Protocol) -> timedelta:
    """How long after a dose vomiting means that the dose is lost."""
    value = dict(protocol.values)[WINDOW]
    return timedelta(minutes=int(value.quantity.to("min").value))


def _judged(times: set[datetime | None], facts: Facts) -> Iterator[Vomited]:
    doses = _oral_doses(facts)
    found: dict[tuple[str, datetime | None], Vomited] = {}
    known = [at for at in times if at is not None]
    begins = visit_begins(facts.case, facts.protocol)
    for at in sorted(known):
        for each in _of(at, doses, found, facts):
            found.setdefault((each.medicine, each.dose_at), each._replace(now=at >= begins))
    yield from found.values()
    if None in times:
        yield Vomited("", None, None, "unknown", now=True)


def _oral_doses(facts: Facts) -> dict[str, list[datetime | None]]:
    doses: dict[str, list[datetime | None]] = {}
    for dose in facts.case.given:
        if facts.protocol.medicine_by_code[dose.medicine].route == "oral":
            doses.setdefault(dose.medicine, []).append(dose.at)
    return doses


def _of(
    at: datetime,
    doses: dict[str, list[datetime | None]],
    found: dict[tuple[str, datetime | None], Vomited],
    facts: Facts,
) -> Iterator[Vomited]:
    """What vomiting at one moment means for each medicine that was given just before."""
    before = {
        code: max(time for time in times if time is not None and time <= at)
        for code, times in doses.items()
        if any(time is not None and time <= at for time in times)
    }
    lost = {code: time for code, time in before.items() if at - time <= window(facts.protocol)}
    if not lost and (not before or any(None in times for times in doses.values())):
        yield Vomited("", None, at, "unknown")
        return
    latest = max(before.values())
    if not lost and at - latest > min(_soonest(code, facts) for code in before):
        # A dose in between is likely, and nobody wrote it down.
        yield Vomited("", None, at, "unknown")
        return
    for code, time in sorted(before.items()):
        if code in lost:
            again = _is_repeated(code, time, found, facts)
            yield Vomited(code, time, at, "again" if again else "repeat")
        elif not lost and time == latest:
            yield Vomited(code, time, at, "too-late")


def _is_repeated(
    code: str, at: datetime, found: dict[tuple[str, datetime | None], Vomited], facts: Facts
) -> bool:
    """Whether the dose itself took the place of one that was vomited."""
    return any(
        each.medicine == code
        and each.verdict == "repeat"
        and each.dose_at is not None
        and timedelta(0) < at - each.dose_at < _soonest(code, facts)
        for each in found.values()
    )


def _soonest(code: str, facts: Facts) -> timedelta:
    """The shortest time between two doses of a medicine."""
    return timedelta(hours=int(facts.protocol.medicine_by_code[code].not_before.value))
