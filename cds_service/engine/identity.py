"""The name of a decision: the same question has the same id, wherever and whenever it is asked."""

from datetime import UTC, datetime
from uuid import UUID, uuid5

from cds_service.case import Case, Finding, Measurement
from cds_service.content.treatment import Protocol

_SPACE = UUID("6f0f5e0a-5b0e-5b51-9d3a-0c7c1f7f7a10")


def decision_id(case: Case, protocol: Protocol) -> str:
    """UUIDv5 over the canonical case (which holds `as_of`) and the content digest."""
    return str(uuid5(_SPACE, f"{protocol.digest}\n{canonical(case)}"))


def canonical(case: Case) -> str:
    """The case as text: every fact in a fixed order, whatever order it was sent in."""
    age = "" if case.age is None else f"{case.age.low}-{case.age.high}"
    stock = "any" if case.stock is None else ",".join(sorted(case.stock))
    head = f"{case.subject}\n{case.as_of}\n{case.visit_end}\n{case.encounter}\n{case.sex}"
    stamps = _Stamps()
    kinds = (
        [f"{f.code};{f.answer.value};{stamps.seen(f)}" for f in case.findings],
        [f"{m.kind};{m.quantity};{m.site};{stamps.seen(m)}" for m in case.measurements],
        [f"{g.medicine};{g.at};{g.origin.reference}" for g in case.given],
        [f"{u.medicine};{u.origin.reference}" for u in case.in_use],
        [f"{r.reason};{r.details};{r.origin.reference}" for r in case.refusals],
    )
    return "\n".join((head, age, stock, *("|".join(sorted(kind)) for kind in kinds)))


class _Stamps:
    """Times as text; the facts of one visit share a few moments, each is written once."""

    def __init__(self) -> None:
        self._known: dict[datetime | None, str] = {}

    def seen(self, fact: Finding | Measurement) -> str:
        """When and where a fact was recorded."""
        stamp = self._known.get(fact.at)
        if stamp is None:
            # One instant has one text, in whatever offset it was written.
            stamp = str(fact.at and fact.at.astimezone(UTC))
            self._known[fact.at] = stamp
        return f"{stamp};{fact.origin.reference};{fact.preliminary}"
