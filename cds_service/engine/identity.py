"""The name of a decision: the same question has the same id, wherever and whenever it is asked."""

from enum import Enum
from uuid import UUID, uuid5

from cds_service.case import Case
from cds_service.content.treatment import Protocol

_SPACE = UUID("6f0f5e0a-5b0e-5b51-9d3a-0c7c1f7f7a10")


def decision_id(case: Case, protocol: Protocol) -> str:
    """UUIDv5 over the canonical case (which holds `as_of`) and the content digest."""
    return str(uuid5(_SPACE, f"{protocol.digest}\n{canonical(case)}"))


def canonical(case: Case) -> str:
    """The case as text: every fact in a fixed order, whatever order it was sent in."""
    parts = [case.subject, case.as_of.isoformat(), case.visit_end.isoformat(), case.encounter]
    parts += [str(case.sex), "" if case.age is None else f"{case.age.low}-{case.age.high}"]
    parts.append("any" if case.stock is None else ",".join(sorted(case.stock)))
    for facts in (case.findings, case.measurements, case.given, case.in_use, case.refusals):
        parts.append("|".join(sorted(map(_fact, facts))))
    return "\n".join(parts)


def _fact(fact: object) -> str:
    values = (getattr(fact, name) for name in type(fact).__slots__)  # type: ignore[attr-defined]
    return ";".join(map(_value, values))


def _value(value: object) -> str:
    if isinstance(value, Enum):
        return str(value.value)
    reference = getattr(value, "reference", None)
    return str(value if reference is None else reference)
