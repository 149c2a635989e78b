"""Weights as content: when one is believed, and the weight-for-age of the WHO."""

from dataclasses import dataclass
from decimal import Decimal

from cds_service.content.model import Cite, Number


@dataclass(frozen=True, slots=True)
class WeightLimits:
    """When a weight is believed, doubted or refused (days, kg, fractions, z-scores)."""

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
