"""The name of a decision: the same question has the same id, wherever and whenever it is asked."""

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
    kinds = (
        [f"{f.code};{f.answer.value};{_seen(f)}" for f in case.findings],
        [f"{m.kind};{m.quantity};{m.site};{_seen(m)}" for m in case.measurements],
        [f"{g.medicine};{g.at};{g.origin.reference}" for g in case.given],
        [f"{u.medicine};{u.origin.reference}" for u in case.in_use],
        [f"{r.reason};{r.details};{r.origin.reference}" for r in case.refusals],
    )
    return "\n".join((head, age, stock, *("|".join(sorted(kind)) for kind in kinds)))


def _seen(fact: Finding | Measurement) -> str:
    return f"{fact.at};{fact.origin.reference};{fact.preliminary}"
