"""When the visit is: `as_of`, its end, the encounter, and the times of facts against it.

A clock may be ahead of the one that `as_of` is from, so a fact may be up to CLOCK_SKEW later:
one that was just recorded is then no fact of the future.
"""

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
"""How far the clock of a fact may be ahead of the one of `as_of`, ours or the caller's."""

_NOT_HELD = frozenset({"planned", "cancelled", "entered-in-error"})


@dataclass(frozen=True, slots=True)
class Visit:
    """The moment that ages and delays refer to, and the last moment of the visit."""

    as_of: datetime
    end: datetime
    encounter: str
    start: datetime | None = None
    """When the encounter began, if it says so."""
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

    def is_before(self, when: When, length: timedelta) -> bool:
        """Whether this was at an earlier visit, as far as its time says.

        `length` is how long a visit lasts that has no start; of a date alone the day decides.
        """
        if when.exact is None:
            return when.first < (self.start or self.as_of).date()
        oldest = self.as_of - length
        return when.exact < (oldest if self.start is None else max(oldest, self.start))

    def given(self, at: datetime) -> datetime:
        """The time of a dose: one that only another clock puts after `as_of` was given just now."""
        return self.as_of if timedelta(0) < at - self.as_of <= CLOCK_SKEW else at

    def note_offsets(self, body: Body, facts: Facts) -> None:
        """Say that `as_of` was sent in UTC, where it is another day at the clinic."""
        if self.as_of.utcoffset() or not (body.as_of_place or self.as_of == self.start):
            return
        told = [when.exact for when in self._times if when.exact is not None]
        if any(self.as_of.astimezone(one.tzinfo).date() != self.as_of.date() for one in told):
            place = Origin(expression=body.as_of_place)
            facts.refuse("offsets-differ", place if body.as_of_place else Origin(self.encounter))


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
    period = encounter.resource.period if encounter else UNSET
    start = None if period is UNSET or period.start is UNSET else period.start.exact
    if body.as_of is not None:
        as_of, end = body.as_of, body.as_of + CLOCK_SKEW
        if start is not None:  # an encounter that begins later does not say when this visit began
            start = start.astimezone(as_of.tzinfo) if start <= end else None
        return Visit(as_of, end, reference, start)
    if period is UNSET or start is None:
        return Visit(now, now + CLOCK_SKEW, reference)
    return Visit(start, _end(period, start, length), reference, start)


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
