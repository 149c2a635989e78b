"""What is known of one infant at one moment.

A Case is made by whatever reads the outside world (`fhir.read`) and is all that the engine
sees of it. It knows no FHIR class and no protocol. Everything in it is in a fixed order, so
that the order in which a caller sends resources changes nothing.
"""

from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from typing import NamedTuple, NoReturn

from cds_service.errors import NotAssessedError
from cds_service.quantity import Quantity


class Answer(Enum):
    """The three values of a fact. Unknown is never absent, so truth has to be asked for.

    >>> bool(Answer.NO)
    Traceback (most recent call last):
    ...
    cds_service.errors.NotAssessedError: ask 'is Answer.YES' or 'is Answer.NO'; it may be unknown
    """

    YES = "yes"
    NO = "no"
    NOT_ASSESSED = "not-assessed"

    def __bool__(self) -> NoReturn:
        raise NotAssessedError("ask 'is Answer.YES' or 'is Answer.NO'; it may be unknown")


def all_of(answers: "list[Answer]") -> Answer:
    """Three-valued AND (Kleene): one NO decides, otherwise one unknown leaves it open.

    >>> all_of([Answer.YES, Answer.NOT_ASSESSED]), all_of([Answer.NO, Answer.NOT_ASSESSED])
    (<Answer.NOT_ASSESSED: 'not-assessed'>, <Answer.NO: 'no'>)
    """
    if Answer.NO in answers:
        return Answer.NO
    return Answer.NOT_ASSESSED if Answer.NOT_ASSESSED in answers else Answer.YES


def any_of(answers: "list[Answer]") -> Answer:
    """Three-valued OR (Kleene): one YES decides, otherwise one unknown leaves it open.

    >>> any_of([Answer.YES, Answer.NOT_ASSESSED])
    <Answer.YES: 'yes'>
    """
    if Answer.YES in answers:
        return Answer.YES
    return Answer.NOT_ASSESSED if Answer.NOT_ASSESSED in answers else Answer.NO


def negated(answer: Answer) -> Answer:
    """Three-valued NOT: unknown stays unknown."""
    if answer is Answer.YES:
        return Answer.NO
    return Answer.YES if answer is Answer.NO else Answer.NOT_ASSESSED


class Origin(NamedTuple):
    """Where a fact came from: the caller's resource, as the answer will refer to it."""

    reference: str = ""
    """Absolute fullUrl or `Type/id`; "" when the caller's resource has neither."""
    expression: str = ""
    """FHIRPath into the request, for messages; not part of the case's identity."""


NOWHERE = Origin()
"""Of what no resource of the caller stands for."""


class Finding(NamedTuple):
    """One answer to one question about a sign, as recorded."""

    code: str
    answer: Answer
    at: datetime | None
    origin: Origin
    preliminary: bool = False


class Measurement(NamedTuple):
    """One measured value, already in the unit in which its kind is reasoned about."""

    kind: str
    quantity: Quantity
    at: datetime | None
    origin: Origin
    preliminary: bool = False
    site: str | None = None
    """For a temperature: "axillary", "rectal", "oral" or "ear"; None when not said."""


class GivenDose(NamedTuple):
    """A dose that was given; `at` None when the time was not recorded."""

    medicine: str
    at: datetime | None
    origin: Origin
    contained: Quantity | None = None
    """What was in it (mg, IU), as the record says or as follows from the recorded strength."""
    measured: Quantity | None = None
    """The volume, or the tablets, that the record names; None when it names neither."""
    formulation: str = ""
    """The product of ours that was measured, by the record of the dose or of its order; or ""."""


class MedicineInUse(NamedTuple):
    """A medicine that the record says is being given (an active order or statement).

    What the order says of the course is None where it does not say it.
    """

    medicine: str
    origin: Origin
    since: datetime | None = None
    days: int | None = None
    a_day: int | None = None
    amount: Quantity | None = None
    """What is measured for one dose (mL or tablets), or what is in it when only that is said."""
    ordered: bool = False
    """Whether an order says it, not only a statement."""
    contained: Quantity | None = None
    """What the order says to be in `amount`, when it names both."""
    formulation: str = ""
    """The product that the order names by its code; "" when it names none of ours."""


class MissedDose(NamedTuple):
    """A dose that the record says was not given; `at` when it was due, None when not recorded."""

    medicine: str
    at: datetime | None
    origin: Origin


class EarlierClass(NamedTuple):
    """A class that was given at a visit before this one; `at` None when its day is not known."""

    code: str
    at: datetime | None
    origin: Origin


class Refusal(NamedTuple):
    """Something the caller sent that is not used as a fact, and why: never silently dropped.

    `reason` is a text key under `refusal.`; `details` fills its placeholders.
    """

    reason: str
    origin: Origin
    details: tuple[tuple[str, str], ...] = ()
    code: str = ""
    """The sign, measure or medicine it is about, when that is known: then the fact is open,
    never absent."""


@dataclass(frozen=True, slots=True)
class Age:
    """Age in completed days as a span; `low == high` when the birth date is exact.

    Age in days = local date of `as_of` - birth date; the day of birth is day 0.
    """

    low: int
    high: int
    origin: Origin = field(default=NOWHERE, compare=False)
    hours: tuple[int, int] | None = None
    """The fewest and the most completed hours since the birth; None: not known better than
    by the days."""


@dataclass(frozen=True, slots=True)
class Case:
    """One infant at `as_of`: what was measured, found, given, and what is in stock."""

    subject: str
    as_of: datetime
    visit_end: datetime
    """Nothing recorded after this moment is used: a time in the future is a mistake."""
    age: Age | None = None
    sex: str | None = None
    """"male", "female", or None when not recorded or otherwise."""
    findings: tuple[Finding, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    given: tuple[GivenDose, ...] = ()
    in_use: tuple[MedicineInUse, ...] = ()
    missed: tuple[MissedDose, ...] = ()
    earlier: tuple[EarlierClass, ...] = ()
    stock: frozenset[str] | None = None
    """Formulation codes in stock; None when the caller did not say."""
    refusals: tuple[Refusal, ...] = ()
    encounter: str = ""
    subject_origin: Origin = NOWHERE
    visit_start: datetime | None = None
    """When the visit began, if the record says so: what is older is not of this visit."""
