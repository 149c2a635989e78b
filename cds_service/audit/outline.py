"""Entries by their columns alone, for lists and counts: no payload is read, nothing is proved."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

COLUMNS = (
    "entry.position, entry.kind, entry.recorded, entry.tenant, entry.caller, entry.protocol, "
    "entry.about, payload.outcome, payload.classes"
)
"""What is selected for an outline, of entries with their payloads beside them."""


class Outline(NamedTuple):
    """What the columns say of one entry; verifying the log compares them with leaf and payload."""

    position: int
    kind: str
    recorded: datetime
    """In UTC."""
    tenant: str
    caller: str
    protocol: str
    about: int | None
    outcome: str
    classes: tuple[str, ...]
    erased: bool
    """Then there are no outcome and no classes any more."""


def outline(row: Sequence[Any]) -> Outline:
    """The outline in a row of COLUMNS.

    >>> row = 7, "recommendation", "2026-03-02T07:30:00.000000+00:00", "", "", "p|1", None
    >>> outline((*row, "success", "|pneumonia|thrush|")).classes
    ('pneumonia', 'thrush')
    >>> outline((*row, None, None)).erased
    True
    """
    position, kind, recorded, tenant, caller, protocol, about, outcome, classes = row
    held = tuple(filter(None, (classes or "").split("|")))
    at = datetime.fromisoformat(recorded)
    erased = outcome is None
    return Outline(position, kind, at, tenant, caller, protocol, about, outcome or "", held, erased)
