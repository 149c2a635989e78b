"""Care as content: what is done that is not a medicine, and amounts of it by weight."""

from dataclasses import dataclass
from decimal import Decimal

from cds_service.content.model import Cite, Condition, Number
from cds_service.quantity import Quantity, plain, to_step


@dataclass(frozen=True, slots=True)
class Amount:
    """What a number per kilogram of a care item comes to for one weight, as it can be measured.

    `name` is that of the number (`per_kg`: mL/kg or mg/kg) among the values of the item. With a
    `strength` (so much substance in so much) the volume is measured in steps, and what is in it
    is told too. `within`: how far, in percent, rounding may move the amount.
    """

    name: str
    per_kg: Number
    step: Number
    rounding: str
    within: Number
    at_most: Number | None
    strength: tuple[Quantity, Quantity] | None

    def measured(self, kg: Decimal) -> tuple[Quantity, Quantity | None]:
        """The amount for a weight; with a strength, what is in it and then the volume."""
        exact, unit = self.per_kg.value * kg, self.per_kg.unit.removesuffix("/kg")
        if self.at_most is not None:
            exact = min(exact, self.at_most.value)
        if self.strength is None:
            return Quantity(to_step(exact, self.step.value, self.rounding), unit), None
        substance, per = self.strength
        volume = to_step(exact * per.value / substance.value, self.step.value, self.rounding)
        content = plain(volume * substance.value / per.value)
        return Quantity(content, unit), Quantity(volume, per.unit)


@dataclass(frozen=True, slots=True)
class CareItem:
    """One thing to do that is not a medicine; text `care.<code>`, filled from `values`."""

    code: str
    cite: Cite
    when: Condition | None = None
    unless: Condition | None = None
    """Left out when this is YES; an unknown leaves it in, so its words must be conditional."""
    values: tuple[tuple[str, Number], ...] = ()
    amounts: tuple[Amount, ...] = ()
    """Numbers of `values` that are worked out for the weight, where it is known."""


@dataclass(frozen=True, slots=True)
class Assess:
    """A referral that is not urgent, when `when` is YES (None: always)."""

    cite: Cite
    when: Condition | None
