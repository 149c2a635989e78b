"""Syringes as content: in which a dose is drawn on a label."""

from dataclasses import dataclass
from decimal import Decimal

from cds_service.content.model import Cite, Number


@dataclass(frozen=True, slots=True)
class Syringe:
    """One size: what it holds, between which marks its scale runs, which of them have numbers."""

    cite: Cite
    holds: Number
    marks: Number
    numbers: Number

    def has_mark(self, volume: Decimal) -> bool:
        """Whether that many mL stand exactly at a mark of its scale."""
        return volume <= self.holds.value and volume % self.marks.value == 0
