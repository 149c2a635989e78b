"""What the engine hands out: the Plan with its parts, and the Decision.

Nothing here knows FHIR. Words are Messages, as in `assessment_model`, which has what was found
out before.
"""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import Case, Origin
from cds_service.content.fluid import Fluid
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Cite, Message
from cds_service.content.plans import Course
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Assessment, Caution, Missing, Test
from cds_service.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Dose:
    """One dose that can be given: the measured amount and what is really in it."""

    medicine: Medicine
    formulation: Formulation
    rule: str
    rule_words: Message
    """The table's band or the rule, in words."""
    amount: Quantity
    """Measured: mL or {tbl}, a multiple of what can be measured."""
    contained: Quantity
    """mg or [iU] in `amount` (amount x strength), rounded to 0.1 for print."""
    per_kg: Decimal | None
    """`contained` per kilogram of the weight used, unrounded; None without a weight."""
    weight: Quantity | None
    """None where the amount is fixed and the infant is not weighed."""
    target: Quantity | None
    """The published target for this weight (target per kg x weight), in the substance's unit;
    None where the amount is fixed."""
    target_rule: str
    cite: Cite
    notes: tuple[Message, ...] = ()
    """How it was reached: table or rule, target, deviation, per-kg volume beside it."""
    cautions: tuple[Caution, ...] = ()


class Change(NamedTuple):
    """From the day `on` another dose is due than before; None: which one is not known now."""

    on: date
    dose: Dose | None


class NoDose(NamedTuple):
    """Why a medicine is not given: `code` for the caution, and what was missing, if anything."""

    medicine: str
    code: str
    reason: Message
    missing: tuple[Test, ...] = ()
    signs: tuple[str, ...] = ()
    """The signs that forbid it."""
    severity: str = ""
    """That of a contraindication; "" for every other reason."""
    begins: date | None = None
    """The day on which the infant is certainly old enough for it, where it waits for an age."""
    origins: tuple[Origin, ...] = ()
    """What in the record says so, where it is the record that stands against it."""


class Order(NamedTuple):
    """One medicine to propose in one branch. `days` None is a single dose."""

    key: str
    """Unique in the plan, e.g. "here.gentamicin"."""
    branch: str
    """"refer" or "here"."""
    dose: Dose
    times_a_day: int
    days: int | None
    at_least: bool
    first_due: datetime
    doses: int
    """Doses still to give, the one due first included."""
    packs: int
    """Whole tablets, bottles or vials (`formulation.pack`) for `doses`."""
    is_option: bool
    """True for a member of a choice that is still open."""
    classes: tuple[str, ...]
    cite: Cite
    instead_of: str = ""
    """The key of the order that this one may replace (then exactly one of the two is given)."""
    instructions: tuple[Message, ...] = ()
    """For the caregiver or the health worker: prepare, give, how long."""
    change: Change | None = None
    """Why the order ends: from that day the medicine goes on at another dose."""

    @property
    def goes_on(self) -> bool:
        """Whether the treatment is not over with the doses of this order."""
        return self.at_least or self.change is not None


class Need(NamedTuple):
    """One course that is due in one branch, and for which classes."""

    course: Course
    branch: str
    classes: tuple[str, ...]
    cite: Cite
    is_option: bool
    also_before: frozenset[str] = frozenset()
    """Medicines of the other branch's doses before referral."""
    since: date | None = None
    """The day of the earlier visit at which it was begun; None: it begins now."""
    new_days: int = 0
    """Days that a class found now asks for."""


class Vomited(NamedTuple):
    """Vomiting after a dose: `verdict` is "repeat" (the dose is lost), "too-late" (it is not),
    "again" (it was a repeated dose: advice) or "unknown" (then `medicine` is "")."""

    medicine: str
    dose_at: datetime | None
    at: datetime | None
    """When it was vomited."""
    verdict: str
    now: bool = True
    """Whether it was at this visit."""

    @property
    def is_lost(self) -> bool:
        """Whether the dose of this visit counts as not given and is to be repeated."""
        return self.verdict == "repeat" and self.now


class CourseWords(NamedTuple):
    """What is told of one dose of a course that runs."""

    ordered: tuple[Message, ...] = ()
    """What is ordered."""
    ready: tuple[Message, ...] = ()
    """How it is made ready, or what is due where the order leaves the product open."""
    measured: Message | None = None
    """The dose with its strength, when it is certain: "2.5 mL = 25 mg (80 mg in 8 mL)"."""


class RunningCourse(NamedTuple):
    """A course that began before: what the record says of it, and what is to be done now.

    `state` is "continue", "stop" (complete, or forbidden by an allergy), "hold" (ask first) or
    "renew": all that was planned is given, and the treatment may have to go on.
    Numbers are doses: `given + left <= total`; `unrecorded` were due so far and are recorded
    neither as given nor as missed.
    """

    medicine: str
    branch: str
    """As in Order, or "" for every branch."""
    state: str
    began: date
    day: int
    """Day of treatment; the first is day 1."""
    given: int
    missed: int
    unrecorded: int
    total: int
    left: int
    next_due: datetime | None
    """None: nothing more is due, or it is not known when."""
    last_day: date | None
    complete: bool
    ordered: bool
    """Whether an active order says it: then no second order is written."""
    asked_for: bool
    """Whether a class of this visit asks for the medicine."""
    doubt: str
    """Why it is not known when the next dose may be given: the end of a text `no-dose.<...>`."""
    replaced: bool
    """Whether a medicine of the same kind is given here in its place."""
    repeat_now: bool
    """Whether a dose is due now in place of a vomited one; then `next_due` is the one after it."""
    differs: tuple[tuple[Message, Message], ...]
    """What is ordered and what would be due, where the two do not agree; then the course waits."""
    in_a_row: int
    """The most doses that were missed one after another."""
    longer: int | None
    """Days that a class found now asks for, when they are more than the order's."""
    cite: Cite
    origin: Origin | None = None
    amount: Quantity | None = None
    """What is measured for one dose, as ordered."""
    words: CourseWords = CourseWords()
    held: "Caution | None" = None
    """Why it waits, when that has words of its own: its code names the title too."""
    change: Change | None = None
    """From that day the ordered dose is no longer right; the doses left are those before it."""

    @property
    def is_told(self) -> bool:
        """Whether it is written by itself; else the order for its rest says what is to be done."""
        return self.ordered or self.complete or self.state == "renew"

    @property
    def is_begun(self) -> bool:
        """Whether the next dose may be one after the first: what nobody recorded may be given.

        Also of an order of a day before, whose first dose nobody says was missed.
        """
        return self.given + self.unrecorded > 0 or self.day - 1 > self.missed


class FluidStep(NamedTuple):
    """A volume (mL) that is given over some hours, and about how much that is each hour."""

    volume: Quantity
    over: Quantity
    per_hour: Quantity


class FluidOrder(NamedTuple):
    """One fluid to propose in one branch: its steps, or so much after each loose stool."""

    key: str
    """Unique in the plan, e.g. "here.plan-b"."""
    branch: str
    fluid: Fluid
    route: str
    steps: tuple[FluidStep, ...]
    each_stool: tuple[Quantity | None, Quantity] | None
    """From (None: no least amount) and to, in mL."""
    total: Quantity | None
    """All steps together (mL)."""
    weight: Quantity | None
    classes: tuple[str, ...]
    is_option: bool
    instructions: tuple[Message, ...]
    instead_of: str = ""
    """The key of the fluid that this one may replace (then exactly one of the two is given)."""

    @property
    def is_urgent(self) -> bool:
        """Whether it is given at once, within hours, under observation: before any medicine."""
        return bool(self.fluid.stages)


class Referral(NamedTuple):
    """The referral. `only`: it is the one option, anything here is interim."""

    classes: tuple[str, ...]
    reasons: tuple[Message, ...]
    urgent: bool
    only: bool
    is_option: bool
    cite: Cite
    possible: bool = True
    """False where it was recorded as not possible: it is made as soon as it is."""


class Care(NamedTuple):
    """Something to do that is not a medicine; `branch` as in Order, or "" for every branch."""

    key: str
    branch: str
    message: Message
    cite: Cite
    emergency: bool = False
    weighed: bool = False
    """Whether its words hold amounts for the weight of this infant."""


class FollowUp(NamedTuple):
    """A visit: on `on`, or every day from `on` to `until`. `first` marks the day to give."""

    key: str
    on: date
    until: date | None
    message: Message
    cite: Cite
    first: bool
    branch: str
    definite: bool = True
    """False for a visit that is due only when the infant does not improve."""


class Plan(NamedTuple):
    """What to do, ready to be written in any form.

    `choice` is "" (no referral: only here), "refer" (referral is possible), "here" (referral
    is not possible: written, but treated here), "refer-or-here" (exactly one of the two) or
    "refer-then-here" (referral is the only option; the rest only if it is refused).
    """

    status: str
    """"success", "data-requested" or "data-required" (FHIR guidance-response-status)."""
    choice: str
    emergency: tuple[Care, ...]
    referral: Referral | None
    assessment_referral: Referral | None
    """To a hospital or a service for assessment, without hurry; None when an urgent one is due."""
    orders: tuple[Order, ...]
    care: tuple[Care, ...]
    follow_ups: tuple[FollowUp, ...]
    cautions: tuple[Caution, ...]
    missing: tuple[Missing, ...]
    counselling: tuple[Message, ...]
    summary: tuple[Message, ...]
    """The headline sentences, most urgent first."""
    fluids: tuple[FluidOrder, ...] = ()
    courses: tuple[RunningCourse, ...] = ()
    """What runs already, by medicine."""


class Decision(NamedTuple):
    """Everything decided about one Case with one Protocol.

    `id` is a UUIDv5 of the canonical case, the content digest and `as_of`: the same question
    always has the same id, whatever the order of the caller's resources.
    """

    id: str
    case: Case
    protocol: Protocol
    assessment: Assessment
    plan: Plan
