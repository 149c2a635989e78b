"""One dose of each medicine as a drawing, as the label has it: the syringe at its mark, tablets."""

from collections.abc import Mapping
from decimal import Decimal

from cds_service.content.catalogue import ENGLISH
from cds_service.engine.model import Decision
from cds_service.label.ink import Ink
from cds_service.label.item import dose_pictures
from cds_service.label.page import Picture
from cds_service.label.speech import Speech

INK = Ink("#1d1b26", "#b9afdc", hatched=False)
"""The ink and the tint of the page."""

Drawings = Mapping[tuple[str, Decimal], tuple[Picture, ...]]
"""By the code of the product and the amount: what the answer does not say is never drawn."""


def drawings(decision: Decision) -> Drawings:
    """The drawings of one decision; every branch has the same dose of a product."""
    speech = Speech(decision.protocol, ENGLISH)
    return {
        (order.dose.formulation.code, order.dose.amount.value): tuple(
            dose_pictures(order, speech, INK)
        )
        for order in decision.plan.orders
    }
