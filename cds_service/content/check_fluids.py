"""Checks of fluids and of the amounts of care items, in exact arithmetic."""

from decimal import Decimal

from cds_service.content.care import Amount, CareItem
from cds_service.content.desk import Desk
from cds_service.content.fluid import EachStool, Fluid
from cds_service.content.treatment import Protocol


def fluids(protocol: Protocol, desk: Desk) -> None:
    """Every check of the fluids."""
    step = protocol.fluids.step.value
    for fluid in protocol.fluids.every:
        _stages(protocol, desk, fluid)
        if fluid.each_stool is not None:
            _each_stool(desk, fluid, fluid.each_stool, step)
        if fluid.alternative == fluid.code:
            desk.report_at(fluid, f"{fluid.code} is its own alternative; name another fluid")


def _stages(protocol: Protocol, desk: Desk, fluid: Fluid) -> None:
    """The stages come to the total that the source names, and can be measured and are bounded."""
    if not fluid.stages:
        return
    if fluid.total is None or fluid.ceiling is None:
        desk.report_at(fluid, "stages need a total (mL/kg) and a ceiling (mL); add them")
        return
    total = sum(stage.volume.value for stage in fluid.stages)
    if total != fluid.total.value:
        desk.report_at(fluid, f"the stages come to {total} mL/kg, not to {fluid.total.value}")
    least, most = protocol.low_weight.dose_from, protocol.weight_limits.weigh_again_from
    if fluid.ceiling.value < total * most.value:
        desk.report_at(fluid, f"the ceiling is below the volume for {most.value} kg; raise it")
    step = protocol.fluids.step.value
    if any(stage.volume.value * least.value < step for stage in fluid.stages):
        desk.report_at(fluid, f"a stage is smaller than the step of {step} mL at {least.value} kg")


def _each_stool(desk: Desk, fluid: Fluid, each: EachStool, step: Decimal) -> None:
    if not each.light_most.value <= each.high.value or each.low.value > each.high.value:
        desk.report_at(fluid, "after-each-stool runs from low to high, light-most not above it")
    if any(number.value % step for number in (each.low, each.high, each.light_most)):
        desk.report_at(fluid, f"after-each-stool cannot be measured in steps of {step} mL")


def amounts(protocol: Protocol, desk: Desk, item: CareItem) -> None:
    """Every amount of a care item is in the unit of its number, and rounding moves it little."""
    for amount in item.amounts:
        _amount(protocol, desk, item, amount)


def _amount(protocol: Protocol, desk: Desk, item: CareItem, amount: Amount) -> None:
    substance = amount.per_kg.unit.removesuffix("/kg")
    per_kg = amount.per_kg.value
    unit = substance
    if amount.strength is not None:
        unit, per_kg = amount.strength[1].unit, per_kg * amount.strength[1].value
        per_kg /= amount.strength[0].value
        if amount.strength[0].unit != substance:
            desk.report_at(item, f"{amount.name}: the strength must be in {substance}")
    if amount.step.unit != unit:
        desk.report_at(item, f"{amount.name} is measured in {unit}, the step is not")
    if amount.at_most is not None and amount.at_most.unit != substance:
        desk.report_at(item, f"{amount.name}: at-most must be in {substance}")
    least = per_kg * protocol.low_weight.dose_from.value
    moved = amount.step.value / least * (50 if amount.rounding == "nearest" else 100)
    if moved > amount.within.value:
        desk.report_at(
            item,
            f"{amount.name}: rounding moves the smallest amount by up to {moved:.0f} %, more "
            f"than {amount.within.value} %; make the step finer",
        )
