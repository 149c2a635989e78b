"""Which fluid is given against dehydration, how much of it and how fast.

Volumes are the content's mL/kg times the weight, rounded to a step that can be measured. Of the
fluids that several classes ask for in one branch only the most intensive is given.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import Answer
from cds_service.content.fluid import Fluid
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Caution, Missing, Weight
from cds_service.engine.conditions import holds
from cds_service.engine.facts import Facts
from cds_service.engine.model import FluidOrder, FluidStep
from cds_service.engine.situation import Situation
from cds_service.engine.words import listed, reading, said
from cds_service.quantity import Quantity, plain, to_step

_WHOLE = Decimal(1)  # how fine mL an hour are told; the volume is what counts


class FluidPlan(NamedTuple):
    """The fluid part of a plan: orders, cautions about them, what was missing for them."""

    orders: tuple[FluidOrder, ...] = ()
    cautions: tuple[Caution, ...] = ()
    missing: tuple[Missing, ...] = ()


_NOTHING = FluidPlan()


class _Need(NamedTuple):
    """One fluid that is due in one branch, and for which classes."""

    branch: str
    fluid: Fluid
    classes: tuple[str, ...]
    is_option: bool


def fluid_orders(facts: Facts, situation: Situation, weight: Weight) -> FluidPlan:
    """Every fluid that is due in every branch, with what is to be said about it."""
    if not any(item.plan.fluids for item in situation.managed):
        return _NOTHING
    needs = list(_needs(facts, situation))
    if not needs:
        return _NOTHING
    hold = _hold(facts, situation, weight)
    waiting, ready = _split(needs, hold, too_light=situation.too_light_to_dose)
    kg = weight.kg if hold is None else None
    orders: list[FluidOrder] = []
    too_large: list[Fluid] = []
    for need in ready:
        made, refused = _with_alternative(need, facts, kg)
        orders += made
        too_large += refused
    cautions = [_above_ceiling(fluid) for fluid in dict.fromkeys(too_large)]
    if hold is not None and waiting:
        cautions.append(_held(waiting, hold, weight))
    waits = bool(too_large or (waiting and weight.kg is None))
    return FluidPlan(tuple(orders), tuple(cautions), tuple(_missing(ready, waits, kg)))


def _split(
    needs: list[_Need], hold: Message | None, *, too_light: bool
) -> tuple[list[_Need], list[_Need]]:
    """What waits, and what can be ordered: words, and the least amount after a loose stool."""
    if hold is None:
        return [], needs
    waits = [bool(n.fluid.stages) or (too_light and n.fluid.each_stool is not None) for n in needs]
    pairs = list(zip(needs, waits, strict=True))
    return [need for need, wait in pairs if wait], [need for need, wait in pairs if not wait]


def with_fluids(facts: Facts, plan: FluidPlan) -> Facts:
    """The facts as the medicines of the same plan see them (Ringer's lactate holds calcium)."""
    signs = {code for order in plan.orders for code in order.fluid.counts_as}
    if not signs:
        return facts
    return replace(facts, answers=facts.answers | dict.fromkeys(signs, Answer.YES), then={})


def _needs(facts: Facts, situation: Situation) -> Iterator[_Need]:
    written = {"refer": situation.gives_before_referral, "here": situation.treats_here}
    for branch, is_written in written.items():
        asked: dict[str, tuple[str, ...]] = {}
        for item in situation.managed if is_written else ():
            for code in dict(item.plan.fluids).get(branch, ()):
                fluid = facts.protocol.fluid_by_code[code]
                if fluid.unless is None or not holds(fluid.unless, facts):
                    asked[code] = (*asked.get(code, ()), item.held.code)
        if asked:
            most = max(asked, key=list(facts.protocol.fluid_by_code).index)
            is_option = situation.choice == "refer-or-here" or (
                situation.choice == "refer-then-here" and branch == "here"
            )
            yield _Need(branch, facts.protocol.fluid_by_code[most], asked[most], is_option)


def _hold(facts: Facts, situation: Situation, weight: Weight) -> Message | None:
    """Why no volume can be worked out for this infant, if so."""
    if not facts.age_is_inside():
        return Message("no-dose.age-unknown" if facts.age is None else "no-dose.age-span")
    if weight.hold is not None:
        return weight.hold
    if situation.too_light_to_dose:
        least = facts.protocol.low_weight.dose_from.quantity
        values = (("weight", reading(weight.quantity)), ("least", str(least)))
        return Message("no-dose.too-light", values)
    return None


def _with_alternative(
    need: _Need, facts: Facts, kg: Decimal | None
) -> tuple[list[FluidOrder], list[Fluid]]:
    first = _order(need, need.fluid, facts, kg)
    other = facts.protocol.fluid_by_code.get(need.fluid.alternative)
    second = None if other is None else _order(need, other, facts, kg)
    if first is None:
        return [], [need.fluid]
    if second is None:
        return [first], []
    second = second._replace(is_option=True, instead_of=first.key)
    return [first._replace(is_option=True), second], []


def _order(need: _Need, fluid: Fluid, facts: Facts, kg: Decimal | None) -> FluidOrder | None:
    """The order of one fluid; None when it is above its ceiling."""
    by_tube = fluid.tube_when is not None and holds(fluid.tube_when, facts)
    route = "tube" if by_tube else fluid.route
    steps = _steps(fluid, facts.protocol, kg) if kg is not None else ()
    total = sum((step.volume.value for step in steps), Decimal(0))
    if fluid.ceiling is not None and total > fluid.ceiling.value:
        return None
    return FluidOrder(
        key=f"{need.branch}.{fluid.code}",
        branch=need.branch,
        fluid=fluid,
        route=route,
        steps=steps,
        each_stool=_each_stool(fluid, kg),
        total=Quantity(total, "mL") if steps else None,
        weight=None if kg is None else Quantity(kg, "kg"),
        classes=need.classes,
        is_option=need.is_option,
        instructions=_instructions(fluid, route),
    )


def _steps(fluid: Fluid, protocol: Protocol, kg: Decimal) -> tuple[FluidStep, ...]:
    key = ("fluid", fluid.code, kg)
    made: tuple[FluidStep, ...] | None = protocol.memo[key]
    if made is None:
        step = protocol.fluids.step.value
        made = protocol.memo[key] = tuple(
            _step(to_step(stage.volume.value * kg, step, "nearest"), stage.over.quantity)
            for stage in fluid.stages
        )
    return made


def _step(volume: Decimal, over: Quantity) -> FluidStep:
    per_hour = to_step(volume / over.value, _WHOLE, "nearest")
    return FluidStep(Quantity(plain(volume), "mL"), over, Quantity(per_hour, "mL"))


def _each_stool(fluid: Fluid, kg: Decimal | None) -> tuple[Quantity | None, Quantity] | None:
    each = fluid.each_stool
    if each is None:
        return None
    if kg is None or kg < each.light_below.value:
        return None, each.light_most.quantity
    return each.low.quantity, each.high.quantity


def _instructions(fluid: Fluid, route: str) -> tuple[Message, ...]:
    """How it is given; one that goes by tube instead has not the words for sips."""
    way = Message(f"give-fluid.{route}")
    if route != fluid.route:
        return (way,)
    values = tuple((name, said(value)) for name, value in fluid.values)
    return Message(f"fluid.{fluid.code}", values), way


def _name(fluid: Fluid) -> Message:
    return Message(f"product.{fluid.product}")


def _held(waiting: Iterable[_Need], why: Message, weight: Weight) -> Caution:
    names = listed(tuple(dict.fromkeys(_name(need.fluid) for need in waiting)))
    message = Message("no-dose.fluid-held", (("fluids", names), ("why", why)))
    return Caution("no-dose-fluid-held", "high", message, weight.origins)


def _above_ceiling(fluid: Fluid) -> Caution:
    most = "" if fluid.ceiling is None else said(fluid.ceiling)
    message = Message("no-dose.fluid-too-large", (("fluid", _name(fluid)), ("ceiling", most)))
    return Caution("no-dose-fluid-too-large", "high", message)


def _missing(ready: list[_Need], waits: bool, kg: Decimal | None) -> Iterator[Missing]:
    """The weight that a volume waits for; without it the least amount after a stool is told."""
    told = kg is None and any(need.fluid.each_stool is not None for need in ready)
    if waits or told:
        yield Missing("measure", "weight", Message("missing.weight"), required=waits)
