"""When the visit is: `as_of`, its end, the encounter, and the times of facts against it."""

from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

from msgspec import UNSET, UnsetType

from cds_service.case import Origin
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.read_body import Body
from cds_service.fhir.references import Subject, names
from cds_service.fhir.times import When
from cds_service.fhir.wire import Period
from cds_service.fhir.wire_resources import Encounter

CLOCK_SKEW = timedelta(minutes=5)
"""How far the caller's clock may be ahead of ours."""

_NOT_HELD = frozenset({"planned", "cancelled", "entered-in-error"})


@dataclass(frozen=True, slots=True)
class Visit:
    """The moment that ages and delays refer to, and the last moment of the visit."""

    as_of: datetime
    end: datetime
    encounter: str
    _times: dict[When, datetime | None] = field(default_factory=dict)

    def time(self, when: When) -> datetime | None:
        """The time of a fact, in the offset of `as_of`; None when it is after the visit.

        A date without a time is taken as the end of that day, but not later than `as_of`: a
        dose "given today" then counts as just given, so that the next is never too early.
        """
        # Most facts of a visit carry the same time.
        if when not in self._times:
            self._times[when] = self._time(when)
        return self._times[when]

    def _time(self, when: When) -> datetime | None:
        zone = self.as_of.tzinfo
        if when.exact is not None:
            return when.exact.astimezone(zone) if when.exact <= self.end else None
        start = datetime.combine(when.first, time.min, zone)
        if start > self.end:
            return None
        latest = datetime.combine(when.last, time(23, 59, 59), zone)
        return min(latest, self.as_of if start <= self.as_of else self.end)


def visit(
    body: Body,
    encounters: list[Sent[Encounter]],
    subject: Subject,
    facts: Facts,
    length: timedelta,
    now: datetime,
) -> Visit:
    """`as_of` is the parameter `asOf`, else the start of the encounter, else `now`.

    `length` is how long a visit lasts that has only a start.
    """
    encounter = _encounter(body, encounters, subject, facts)
    reference = encounter.origin.reference if encounter else _as_reference(body.encounter)
    if body.as_of is not None:
        return Visit(body.as_of, body.as_of, reference)
    period = encounter.resource.period if encounter else UNSET
    if period is UNSET or period.start is UNSET or period.start.exact is None:
        return Visit(now, now + CLOCK_SKEW, reference)
    start = period.start.exact
    return Visit(start, _end(period, start, length), reference)


def _end(period: Period, start: datetime, length: timedelta) -> datetime:
    if period.end is UNSET:
        return start + length
    if period.end.exact is not None:
        return period.end.exact
    return datetime.combine(period.end.last, time(23, 59, 59), start.tzinfo)


def _encounter(
    body: Body, encounters: list[Sent[Encounter]], subject: Subject, facts: Facts
) -> Sent[Encounter] | None:
    if body.encounter:
        encounters = [one for one in encounters if names(body.encounter, one, "Encounter")]
    usable = [one for one in encounters if _usable(one, subject, facts)]
    if len(usable) > 1:
        facts.refuse("encounter-ambiguous", Origin(expression=f"{body.place}.entry"))
        return None
    return usable[0] if usable else None


def _usable(sent: Sent[Encounter], subject: Subject, facts: Facts) -> bool:
    reason, status = subject.why_not(sent), sent.resource.status
    if reason:
        facts.refuse(reason, sent.origin)
    elif status in _NOT_HELD:
        facts.refuse("status-not-usable", sent.origin, status=status)
    return not reason and status not in _NOT_HELD


def _as_reference(text: str) -> str:
    return text if not text or "/" in text or ":" in text else f"Encounter/{text}"


def moment(exact: When | UnsetType, period: Period | UnsetType) -> When | None:
    """The time of a fact from its effective[x]: of a period its end, else its start."""
    if exact is not UNSET:
        return exact
    if period is UNSET:
        return None
    if period.end is not UNSET:
        return period.end
    return None if period.start is UNSET else period.start
