"""A drafted order as it could be read, and what the check of it found."""

from dataclasses import dataclass
from typing import NamedTuple

from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution
from cds_service.engine.model import Order
from cds_service.quantity import Quantity


class DraftOrder(NamedTuple):
    """One order that is being written and not signed yet; what it does not say is None or ""."""

    reference: str
    """As the caller names it ("MedicationRequest/103")."""
    medicine: str = ""
    """A medicine of the protocol; "" when it is none, or is not certain to be one."""
    formulation: str = ""
    """A formulation of that medicine, as the order's product says it."""
    amount: Quantity | None = None
    """What is measured out for one dose."""
    contained: Quantity | None = None
    """What the order itself says is in one dose, by its words or the strength of its product."""
    a_day: int | None = None
    days: int | None = None
    once: bool = False
    """Whether it is one single dose."""
    signs: tuple[str, ...] = ()
    """Signs that the product answers when it is in use (another antibiotic, a loop diuretic)."""
    unclear: tuple[str, ...] = ()
    """Parts that were stated and are not understood: texts `check.part.<...>`."""
    other_patient: bool = False
    selected: bool = True
    """Whether it is to be judged; the others are looked at for duplicates and interactions."""


class Fault(NamedTuple):
    """One thing about a drafted order; `severity` as in Caution, text `check.short.<code>`."""

    code: str
    severity: str
    message: Message


UNJUDGED = frozenset(
    {
        "dilution-unclear",
        "dose-contradicts",
        "dose-missing",
        "duration-missing",
        "form-unknown",
        "interval-missing",
        "medicine-unknown",
        "no-dose",
        "no-weight",
        "not-due-open",
        "other-patient",
        "outside-age",
        "unreadable",
    }
)
"""Codes of faults that say that something could not be judged; such an order never "agrees"."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found about one drafted order."""

    draft: DraftOrder
    faults: tuple[Fault, ...]
    cautions: tuple[Caution, ...] = ()
    """What has to be said whenever this medicine is given to this infant."""
    order: Order | None = None
    """What the plan gives of this medicine, in the product of the draft where it is known."""
    same_product: bool = False
    """Whether `order` is in the product of the draft, so that the draft may be corrected."""
