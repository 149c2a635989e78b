"""Weights as content: when one is believed, and the weight-for-age of the WHO."""

from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from cds_service.content.model import Cite, Number


@dataclass(frozen=True)
class WeightLimits:
    """When a weight is believed, doubted or refused (days, kg, fractions, z-scores).

    The days and hours that every infant is held against are worked out once.
    """

    cite: Cite
    stale_young: Number
    stale_young_until: Number
    stale_older: Number
    birth_weight_usable: Number
    newborn_until: Number
    newborn_loss: Number
    newborn_gain: Number
    z_high: Number
    z_low: Number
    weigh_again_from: Number
    agree_within: Number
    change_at_once: Number
    """So much may be gained or lost between two visits however near they are: fluid."""
    gain_a_day: Number
    """So much more may be gained for each day between them: growth (kg)."""

    @cached_property
    def newborn_days(self) -> Decimal:
        """`newborn_until` in days."""
        return self.newborn_until.quantity.to("d").value

    @cached_property
    def young_days(self) -> Decimal:
        """`stale_young_until` in days."""
        return self.stale_young_until.quantity.to("d").value

    @cached_property
    def young_hours(self) -> Decimal:
        """`stale_young` in hours."""
        return self.stale_young.quantity.to("h").value

    @cached_property
    def older_hours(self) -> Decimal:
        """`stale_older` in hours."""
        return self.stale_older.quantity.to("h").value


@dataclass(frozen=True, slots=True)
class Growth:
    """WHO weight-for-age by day: (L, M, S) for each sex, index = age in days."""

    cite: Cite
    male: tuple[tuple[Number, Number, Number], ...]
    female: tuple[tuple[Number, Number, Number], ...]

    def flags(self, limits: WeightLimits) -> dict[str, tuple[tuple[Decimal, Decimal], ...]]:
        """Weight in kg at the low and the high flag limit, by sex and day of age.

        WHO LMS method: M * (1 + L * S * z) ** (1 / L).
        """
        return {
            sex: tuple(
                (_weight_at(lms, limits.z_low.value), _weight_at(lms, limits.z_high.value))
                for lms in table
            )
            for sex, table in (("male", self.male), ("female", self.female))
        }


def _weight_at(lms: tuple[Number, Number, Number], z: Decimal) -> Decimal:
    skew, median, spread = (number.value for number in lms)
    return median * (1 + skew * spread * z) ** (1 / skew)
