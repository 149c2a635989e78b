"""Say a Decision in the words of the case files, so that the two can be compared."""

from decimal import Decimal
from typing import Any

from cds_service.content.text import render
from cds_service.engine.model import Decision, FluidOrder, FollowUp, Order
from cds_service.quantity import Quantity, plain

BACTERIAL = (
    "critical-illness",
    "clinical-severe-infection",
    "fast-breathing-0-6-days",
    "pneumonia",
    "infection-unlikely",
)
LOCAL = "local-bacterial-infection"
_TIMES = {1: "once a day", 2: "twice a day", 3: "three times a day", 4: "four times a day"}
_UNITS = {"{tbl}": "tablet", "[iU]": "IU"}


def tell(decision: Decision, word: str) -> Any:
    """What the decision says about one word of `expect`."""
    return _WORDS[word](decision)


def order_text(order: Order) -> str:
    """For example "0.5 tablet = 125 mg twice a day for 7 days"."""
    dose = f"{_amount(order.dose.amount)} = {_amount(order.dose.contained)}"
    if order.days is None:
        return f"{dose} once"
    at_least = "at least " if order.at_least else ""
    return f"{dose} {_TIMES[order.times_a_day]} for {at_least}{order.days} days"


def _amount(quantity: Quantity) -> str:
    return f"{plain(quantity.value):f} {_UNITS.get(quantity.unit, quantity.unit)}"


def bacterial(decision: Decision) -> str:
    """The class of the bacterial table, or "undecided"."""
    held = [one.code for one in decision.assessment.classes if one.code in BACTERIAL]
    assert len(held) <= 1, held
    return held[0] if held else "undecided"


def local(decision: Decision) -> str:
    """ "yes", "no" or "undecided"."""
    if decision.assessment.holds(LOCAL):
        return "yes"
    rows = [row for row in decision.assessment.rows if row.row.code == LOCAL]
    return "undecided" if any(row.answer.value == "not-assessed" for row in rows) else "no"


def _ill(decision: Decision) -> list[str]:
    """The classes that hold, of every table, but those that say that nothing was found."""
    return sorted(held.code for held in decision.assessment.classes if not held.no_illness)


def _fluids_of_all(decision: Decision) -> dict[str, str]:
    return {each.key: _fluid_text(each) for each in decision.plan.fluids}


def _fluid_text(fluid: FluidOrder) -> str:
    """For example "oral, 250 mL in 4 h", or "oral, 50-100 mL after each stool"."""
    if fluid.each_stool is not None:
        low, high = fluid.each_stool
        most = f"{_amount(high)} after each stool"
        return f"{fluid.route}, " + (f"at most {most}" if low is None else f"{low.value}-{most}")
    steps = (f"{_amount(step.volume)} in {_amount(step.over)}" for step in fluid.steps)
    return ", ".join((fluid.route, *steps))


def undecided(decision: Decision) -> list[str]:
    """The bacterial rows above the class that holds, or above "infection unlikely", still open."""
    for held in decision.assessment.classes:
        if held.code in BACTERIAL:
            return sorted(held.open_above)
    rows = (row for row in decision.assessment.rows if row.row.code in BACTERIAL[:-1])
    return sorted(row.row.code for row in rows if row.answer.value == "not-assessed")


def _classes(decision: Decision) -> set[str]:
    return {held.code for held in decision.assessment.classes}


def _open(decision: Decision) -> set[str]:
    """Every row of every table that is still open."""
    rows = decision.assessment.rows
    return {row.row.code for row in rows if row.answer.value == "not-assessed"}


def _fluids(decision: Decision, branch: str) -> list[str]:
    """For example "plan-c: 100 mL over 1 h, 240 mL over 5 h"; "plan-a: at most 50 mL"."""
    return [_fluid(each) for each in decision.plan.fluids if each.branch == branch]


def _fluid(order: FluidOrder) -> str:
    code = order.fluid.code
    if order.each_stool is not None:
        low, high = order.each_stool
        most = _amount(high)
        return f"{code}: at most {most}" if low is None else f"{code}: {_amount(low)} to {most}"
    steps = ", ".join(f"{_amount(step.volume)} over {_amount(step.over)}" for step in order.steps)
    return f"{code}: {steps}" if steps else code


def _needs(decision: Decision) -> list[str]:
    return sorted(missing.code for missing in decision.plan.missing if missing.required)


def _asks(decision: Decision) -> set[str]:
    return {missing.code for missing in decision.plan.missing}


def _doses(decision: Decision, branch: str) -> dict[str, str]:
    return {
        order.dose.medicine.code: order_text(order)
        for order in decision.plan.orders
        if order.branch == branch
    }


def _by_medicine(decision: Decision, what: str) -> dict[str, Any]:
    orders = [order for order in decision.plan.orders if order.branch == "here"]
    return {order.dose.medicine.code: _ABOUT[what](order, decision) for order in orders}


def _hours(order: Order, decision: Decision) -> str:
    hours = Decimal(int((order.first_due - decision.case.as_of).total_seconds())) / 3600
    return "now" if hours == 0 else f"in {plain(hours):f} h"


_ABOUT = {
    "form": lambda order, _: order.dose.formulation.code,
    "packs": lambda order, _: order.packs,
    "left": lambda order, _: order.doses,
    "due": _hours,
    "rule": lambda order, _: order.dose.target_rule,
    "target": lambda order, _: _amount(order.dose.target),
}


def _referral(decision: Decision) -> str:
    referral = decision.plan.referral
    if referral is None:
        return "none"
    return "urgent" if referral.urgent else "not urgent"


def _visits(decision: Decision) -> list[str]:
    return [
        _visit(visit, decision) for visit in decision.plan.follow_ups if visit.branch != "refer"
    ]


def _visit(visit: FollowUp, decision: Decision) -> str:
    today = decision.case.as_of.date()
    on = f"+{(visit.on - today).days}"
    return on if visit.until is None else f"daily {on} to +{(visit.until - today).days}"


def _first_visit(decision: Decision) -> str:
    first = [visit for visit in decision.plan.follow_ups if visit.first and visit.branch != "refer"]
    assert len(first) == 1, first
    return _visit(first[0], decision).removeprefix("daily ").split()[0]


def _cautions(decision: Decision) -> set[str]:
    return {one.code for one in (*decision.plan.cautions, *decision.assessment.cautions)}


def words(decision: Decision) -> str:
    """Everything the plan says, in English."""
    plan = decision.plan
    messages = [
        *plan.summary,
        *plan.counselling,
        *(care.message for care in (*plan.emergency, *plan.care)),
        *(visit.message for visit in plan.follow_ups),
        *(caution.message for caution in plan.cautions),
        *(caution.action for caution in plan.cautions if caution.action),
        *(text for fluid in plan.fluids for text in fluid.instructions),
        *(text for order in plan.orders for text in (*order.instructions, *order.dose.notes)),
    ]
    return "\n".join(render(decision.protocol, message) for message in messages)


def _care(decision: Decision) -> set[str]:
    return {care.key.rpartition(".")[2] for care in decision.plan.care}


_WORDS = {
    "class": bacterial,
    "local infection": local,
    "illness": _ill,
    "ruled out": _classes,
    "all open": lambda decision: sorted(_open(decision)),
    "fluids": _fluids_of_all,
    "undecided": undecided,
    "classes": _classes,
    "no classes": _classes,
    "open": _open,
    "fluids here": lambda decision: _fluids(decision, "here"),
    "fluids on the way": lambda decision: _fluids(decision, "refer"),
    "sent for assessment": lambda decision: (
        "yes" if (sent := decision.plan.assessment_referral) and not sent.urgent else "no"
    ),
    "needs": _needs,
    "asks": _asks,
    "choice": lambda decision: decision.plan.choice,
    "referral": _referral,
    "status": lambda decision: decision.plan.status,
    "here": lambda decision: _doses(decision, "here"),
    "before referral": lambda decision: _doses(decision, "refer"),
    "form": lambda decision: _by_medicine(decision, "form"),
    "packs": lambda decision: _by_medicine(decision, "packs"),
    "doses left": lambda decision: _by_medicine(decision, "left"),
    "first due": lambda decision: _by_medicine(decision, "due"),
    "target": lambda decision: _by_medicine(decision, "target"),
    "visits": _visits,
    "come back": _first_visit,
    "cautions": _cautions,
    "no cautions": _cautions,
    "emergency": lambda decision: {one.key.rpartition(".")[2] for one in decision.plan.emergency},
    "care": _care,
    "no care": _care,
    "not recorded": lambda decision: set(decision.assessment.not_recorded),
    "says": words,
    "never says": words,
}
