"""Fluids as content: how much for each kilogram, over how long, by which way."""

from dataclasses import dataclass

from cds_service.content.model import Cite, Condition, Number


@dataclass(frozen=True, slots=True)
class Stage:
    """One part of a fluid plan: `volume` for each kilogram (mL/kg), spread over `over` (h)."""

    volume: Number
    over: Number


@dataclass(frozen=True, slots=True)
class EachStool:
    """So much after each loose stool: from `low` to `high` mL.

    Below `light_below` kg, or without a weight, at most `light_most` mL.
    """

    low: Number
    high: Number
    light_below: Number
    light_most: Number


@dataclass(frozen=True, slots=True)
class Fluid:
    """One way of giving fluid. Texts: `product.<product>`, and `fluid.<code>` for how to give it.

    It has stages, or an amount after each loose stool, or neither: then words only. `tube_when`:
    while that holds it goes by tube. `unless`: left out when that is YES.
    """

    code: str
    cite: Cite
    product: str
    route: str
    stages: tuple[Stage, ...]
    each_stool: EachStool | None
    total: Number | None
    """All stages together, for each kilogram, as the source says it."""
    ceiling: Number | None
    """The largest volume of all stages together (mL); a larger one is not given."""
    tube_when: Condition | None
    unless: Condition | None
    alternative: str
    """Another fluid that may be given instead of this one."""
    counts_as: tuple[str, ...]
    """Signs that this fluid makes true for the medicines of the same plan."""
    values: tuple[tuple[str, Number], ...]


@dataclass(frozen=True, slots=True)
class Fluids:
    """Every fluid, from the least to the most intensive, and the step volumes are rounded to."""

    cite: Cite
    step: Number
    every: tuple[Fluid, ...]
