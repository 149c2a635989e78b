"""What the engine finds out: facts with their trace, and the Assessment.

Nothing here knows FHIR. Words are Messages (a text key and its values); `content.text` turns
them into a language. A value is text that is ready to print, except where it is a Message.
"""

from decimal import Decimal
from typing import NamedTuple

from cds_service.case import Answer, Origin
from cds_service.content.model import Cite, Message, Row
from cds_service.quantity import Quantity


class Test(NamedTuple):
    """One tested fact of a row: what was asked, the answer, and the resources behind it."""

    what: Message
    answer: Answer
    cite: Cite
    fact: str
    """The code of the sign or measure (or "age")."""
    origins: tuple[Origin, ...] = ()


class RowResult(NamedTuple):
    """How one row came out, with the tests that decided it (or left it open)."""

    table: str
    row: Row
    answer: Answer
    tests: tuple[Test, ...]


class Class(NamedTuple):
    """A class that holds; `open_above` are the rows above it that are still undecided."""

    table: str
    code: str
    severe: bool
    tests: tuple[Test, ...]
    cite: Cite
    open_above: tuple[str, ...] = ()
    no_illness: bool = False


class Missing(NamedTuple):
    """A fact that is still needed: `kind` is "finding", "measure", "medicine", "age", "sex" or
    "class" (an earlier one, of which the day is needed).

    `required`: without it a row, or a dose that is due, stays open.
    """

    kind: str
    code: str
    why: Message
    required: bool


class Caution(NamedTuple):
    """Something the health worker must know; `severity` is "high", "moderate" or "low"."""

    code: str
    severity: str
    message: Message
    origins: tuple[Origin, ...] = ()
    action: Message | None = None
    medicine: str = ""
    """The medicine it is about, if it is about one: its orders are implicated."""


class Weight(NamedTuple):
    """The weight to dose by (kg), or why there is none (`hold`), and what to say about it."""

    kg: Decimal | None
    hold: Message | None
    origins: tuple[Origin, ...] = ()
    cautions: tuple[Caution, ...] = ()
    weigh_again: bool = False
    lowest: Decimal | None = None
    """The lowest weight of this visit, believed or not: a very small baby is referred by it."""

    @property
    def quantity(self) -> Quantity:
        """The weight in kg; only when there is one."""
        if self.kg is None:
            raise ValueError("there is no weight to dose by")
        return Quantity(self.kg, "kg")


class Assessment(NamedTuple):
    """The classes that hold, every row's result, what is missing, what was noticed."""

    classes: tuple[Class, ...]
    rows: tuple[RowResult, ...]
    missing: tuple[Missing, ...]
    not_recorded: tuple[str, ...]
    """Signs that count only when present and were not recorded: taken as not present."""
    cautions: tuple[Caution, ...]

    def holds(self, code: str) -> bool:
        """Whether the class `code` holds."""
        return any(held.code == code for held in self.classes)
