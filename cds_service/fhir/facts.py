"""What has been read so far, and the order in which a Case keeps it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter
from typing import Any, Generic, TypeVar

from msgspec import UNSET, Struct

from cds_service.case import (
    EarlierClass,
    Finding,
    GivenDose,
    Measurement,
    MedicineInUse,
    MissedDose,
    Origin,
    Refusal,
)
from cds_service.fhir.wire import Resource

R_co = TypeVar("R_co", bound=Resource, covariant=True)
T = TypeVar("T")
_NEVER = datetime.min.replace(tzinfo=UTC)


UNKNOWN_OBSERVATIONS = "observations-unknown"
"""The one refusal that is no fault of what was sent, so that a strict request bears it too."""


class Sent(Struct, Generic[R_co], gc=False):
    """A decoded resource and where it came from (a Struct: one is made for every entry)."""

    resource: R_co
    full_url: str
    """The entry's address; "" when it has none."""
    origin: Origin

    @property
    def own(self) -> str:
        """`Type/id`; "" when the resource has no id."""
        return own_name(self.resource)


def own_name(resource: Resource) -> str:
    """`Type/id` of a resource; "" when it has no id."""
    return "" if resource.id is UNSET else f"{type(resource).__name__}/{resource.id}"


code_of: Callable[[Finding], str] = attrgetter("code")
kind_of: Callable[[Measurement], str] = attrgetter("kind")


@dataclass(slots=True)
class Facts:
    """The facts and refusals found in a request, in the order of the request."""

    findings: list[Finding] = field(default_factory=list)
    measurements: list[Measurement] = field(default_factory=list)
    given: list[GivenDose] = field(default_factory=list)
    in_use: list[MedicineInUse] = field(default_factory=list)
    missed: list[MissedDose] = field(default_factory=list)
    earlier: list[EarlierClass] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    unknown: set[str] = field(default_factory=set)
    """The Observations of which nothing here asks for anything: addresses, else places."""

    def refuse(
        self, reason: str, origin: Origin, about: tuple[str, ...] = (), **details: str
    ) -> None:
        """Note that something sent is not used as a fact; the text is `refusal.<reason>`.

        `about`: the signs, measures and medicines that it may truly say something of. They are
        open then, each by a Refusal of its own, and do not look as if nothing had been sent.
        """
        told = tuple(sorted(details.items()))
        self.refusals += [Refusal(reason, origin, told, code) for code in about or ("",)]

    def note_unknown(self, origin: Origin) -> None:
        """Note an Observation of which nothing here asks for anything."""
        self.unknown.add(origin.reference or origin.expression)

    def refuse_unknown(self, place: str) -> None:
        """Say how many Observations were of nothing that is asked here: a record has many."""
        if self.unknown:
            count = str(len(self.unknown))
            self.refuse(UNKNOWN_OBSERVATIONS, Origin(expression=place), count=count)


def in_order(found: list[T], first: Callable[[T], str], key: Callable[[T], Any]) -> tuple[T, ...]:
    """The facts sorted by `key`, of which `first` is the first part: often it is enough."""
    if len(found) > 1:
        found.sort(key=first if len(set(map(first, found))) == len(found) else key)
    return tuple(found)


# The keys below leave Origin.expression out: the order of entries must not change a Case.


def finding_key(one: Finding) -> tuple[object, ...]:
    """Order of findings: code, time, answer, reference."""
    return one.code, one.at or _NEVER, one.answer.value, one.origin.reference, one.preliminary


def measurement_key(one: Measurement) -> tuple[object, ...]:
    """Order of measurements: kind, time, value, reference."""
    value, reference = one.quantity.value, one.origin.reference
    return one.kind, one.at or _NEVER, value, reference, one.preliminary, one.site or ""


def given_key(one: GivenDose | MissedDose) -> tuple[object, ...]:
    """Order of given and of missed doses: medicine, time, reference."""
    return one.medicine, one.at or _NEVER, one.origin.reference


def in_use_key(one: MedicineInUse) -> tuple[object, ...]:
    """Order of medicines in use: medicine, reference, and what the order says."""
    told = one.days or 0, one.a_day or 0, str(one.amount), one.ordered
    return one.medicine, one.origin.reference, one.since or _NEVER, told


def earlier_key(one: EarlierClass) -> tuple[object, ...]:
    """Order of earlier classes: code, time, reference."""
    return one.code, one.at or _NEVER, one.origin.reference


def refusal_key(one: Refusal) -> tuple[object, ...]:
    """Order of refusals: reason, details, code, reference."""
    return one.reason, one.details, one.code, one.origin.reference
