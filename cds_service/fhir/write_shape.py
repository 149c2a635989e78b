"""The shape of a plan: all that the sheet of an answer depends on beside the content."""

from dataclasses import dataclass
from typing import NamedTuple

from cds_service.content.model import Cite, Message
from cds_service.engine.course_words import title
from cds_service.engine.model import (
    Care,
    Decision,
    FluidOrder,
    FollowUp,
    Order,
    Referral,
    RunningCourse,
)
from cds_service.fhir.write_json import Json

# In "refer-then-here" the referral stands, and only the care here depends on what becomes of it.
_OPEN = {("refer-or-here", "refer"), ("refer-or-here", "here"), ("refer-then-here", "here")}


class OrderShape(NamedTuple):
    """One medicine without its dose."""

    key: str
    branch: str
    formulation: str
    course: Cite
    dose: Cite
    instead_of: str


class FluidShape(NamedTuple):
    """One fluid without its volumes."""

    key: str
    branch: str
    product: str
    route: str
    cite: Cite
    instead_of: str
    is_urgent: bool


class CourseShape(NamedTuple):
    """One course that runs, without its counts."""

    medicine: str
    branch: str
    title: Message
    cite: Cite


class VisitShape(NamedTuple):
    """One visit without its dates."""

    key: str
    branch: str
    message: Message
    cite: Cite
    first: bool
    daily: bool


class Shape(NamedTuple):
    """A plan without what differs from one infant to the next."""

    choice: str
    summary: tuple[Message, ...]
    classes: tuple[str, ...]
    emergency: tuple[Care, ...]
    referral: Referral | None
    assessment_referral: Referral | None
    orders: tuple[OrderShape, ...]
    care: tuple[Care, ...]
    visits: tuple[VisitShape, ...]
    counselling: tuple[Message, ...]
    fluids: tuple[FluidShape, ...]
    courses: tuple[CourseShape, ...]

    @classmethod
    def of(cls, decision: Decision) -> "Shape":
        """The shape of what was decided."""
        plan = decision.plan
        return cls(
            plan.choice,
            plan.summary,
            tuple([held.code for held in decision.assessment.classes]),
            tuple([_care(each) for each in plan.emergency]),
            plan.referral,
            plan.assessment_referral,
            tuple([_order(order) for order in plan.orders]),
            tuple([_care(each) for each in plan.care]),
            tuple([_visit(follow_up) for follow_up in plan.follow_ups]),
            plan.counselling,
            tuple([_fluid(order) for order in plan.fluids]),
            tuple([_course(each) for each in plan.courses if each.is_told]),
        )

    def is_open(self, branch: str) -> bool:
        """Whether this branch is a member of a choice that is still open."""
        return is_open(self.choice, branch)


def is_open(choice: str, branch: str) -> bool:
    """The same of a plan's choice."""
    return (choice, branch) in _OPEN


def _order(order: Order) -> OrderShape:
    dose, key, branch = order.dose, order.key, order.branch
    return OrderShape(key, branch, dose.formulation.code, order.cite, dose.cite, order.instead_of)


def _course(each: RunningCourse) -> CourseShape:
    return CourseShape(each.medicine, each.branch, title(each), each.cite)


def _fluid(order: FluidOrder) -> FluidShape:
    fluid = order.fluid
    return FluidShape(
        order.key,
        order.branch,
        fluid.product,
        order.route,
        fluid.cite,
        order.instead_of,
        order.is_urgent,
    )


def _care(each: Care) -> Care:
    """One care item without the amounts for this weight."""
    return each._replace(message=Message(each.message.key)) if each.weighed else each


def _visit(each: FollowUp) -> VisitShape:
    daily = each.until is not None
    return VisitShape(each.key, each.branch, each.message, each.cite, each.first, daily)


@dataclass(frozen=True, slots=True)
class Item:
    """One request with what the RequestGroup says about it."""

    role: str
    resource: Json
    title: str
    branch: str
    cites: tuple[Cite, ...]
    key: str = ""
    instead_of: str = ""
