"""What every resource of one answer needs: its id, whom it is about, and when."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from uuid import UUID

from cds_service.case import Case
from cds_service.content.model import Cite
from cds_service.engine.model import Decision
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, uuid5

# In "refer-then-here" the referral stands, and only the care here depends on what becomes of it.
_OPEN = {("refer-or-here", "refer"), ("refer-or-here", "here"), ("refer-then-here", "here")}


@dataclass(frozen=True, slots=True)
class Item:
    """One written request with what the RequestGroup says about it."""

    resource: Json
    title: str
    branch: str
    cites: tuple[Cite, ...]
    key: str = ""
    instead_of: str = ""


@dataclass(frozen=True, slots=True)
class Pen:
    """What is the same within one answer."""

    house: House
    decision: Decision
    as_of: str
    who: Json
    """`subject` and, where the caller named one, `encounter`."""
    _space: bytes
    _ids: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, decision: Decision, base: str) -> "Pen":
        """Take up the pen for one decision."""
        house = House.of(decision.protocol, base)
        who = _who(decision.case, house.title("write.subject"))
        return cls(house, decision, decision.case.as_of.isoformat(), who, UUID(decision.id).bytes)

    def id(self, role: str) -> str:
        """The id of the resource that has this role in the answer."""
        known = self._ids.get(role)
        if known is None:
            known = self._ids[role] = uuid5(self._space, role)
        return known

    def ref(self, role: str) -> Json:
        """A reference to another resource of the answer."""
        return {"reference": f"urn:uuid:{self.id(role)}"}

    def start(self, kind: str, role: str) -> Json:
        """A resource of this kind with its id."""
        return {"resourceType": kind, "id": self.id(role)}

    def classes(self, codes: Sequence[str]) -> list[Json]:
        """References to the Conditions of these classes."""
        return [self.ref(f"class.{code}") for code in codes]

    def is_open(self, branch: str) -> bool:
        """Whether this branch is a member of a choice that is still open."""
        return (self.decision.plan.choice, branch) in _OPEN


def _who(case: Case, nameless: str) -> Json:
    subject = case.subject_origin.reference or case.subject
    who: Json = {"subject": {"reference": subject} if subject else {"display": nameless}}
    if case.encounter:
        who["encounter"] = {"reference": case.encounter}
    return who
