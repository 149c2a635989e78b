"""What every resource of one answer needs: its id, whom it is about, and when."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

import orjson

from cds_service.content.catalogue import ENGLISH
from cds_service.engine.identity import uuid5
from cds_service.engine.model import Decision
from cds_service.engine.phrase import at_time, day
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_template import Template, blank, escaped, identity, member, more


@dataclass(frozen=True, slots=True)
class Pen:
    """What is the same within one answer."""

    house: House
    decision: Decision
    blanks: dict[str, bytes]
    """Filled alike in every resource: `as_of`, `who` (subject, encounter), each of them where a
    resource has them elsewhere (`patient`, `subject`, `context`), and ids."""
    _space: bytes
    _moments: dict[int, tuple[bytes, bytes]] = field(default_factory=dict)

    @classmethod
    def of(cls, decision: Decision, base: str, language: str = ENGLISH) -> "Pen":
        """Take up the pen for one decision; `language` is the caregiver's."""
        house, blanks = House.of(decision.protocol, base, language), _who(decision)
        pen = cls(house, decision, blanks, bytes.fromhex(decision.id.replace("-", "")))
        blanks["#guidance-response"] = decision.id.encode()
        blanks["as_of"], _ = pen.moment(decision.case.as_of)
        return pen

    def fill(self, template: Template, **blanks: bytes) -> bytes:
        """Fill in a template: these blanks, those of every resource, and the ids."""
        values = self.blanks
        for name, role in template.roles:
            if name not in values:
                values[name] = uuid5(self._space, role)
        values.update(blanks)
        return template.fill(values)

    def pointer(self, role: str) -> bytes:
        """A reference to a resource of the answer that is written already."""
        return b'{"reference":"urn:uuid:%b"}' % self.blanks[f"#{role}"]

    def moment(self, at: datetime) -> tuple[bytes, bytes]:
        """A moment of the decision as FHIR writes it, and in words."""
        # Equal moments in two offsets are two texts; the decision holds each, so its id is its own.
        known = self._moments.get(id(at))
        if known is None:
            known = self._moments[id(at)] = (at.isoformat().encode(), _in_words(self.house, at))
        return known


def _who(decision: Decision) -> dict[str, bytes]:
    case = decision.case
    reference = case.subject_origin.reference or case.subject
    nameless = decision.protocol.text_by_key["write.subject"]
    subject = orjson.dumps({"reference": reference} if reference else {"display": nameless})
    who, patient = member("subject", subject), member("patient", subject)
    if not case.encounter:
        return {"who": who, "patient": patient, "subject": who, "context": b""}
    encounter = orjson.dumps({"reference": case.encounter})
    context = member("context", b'{"encounter":[%b]}' % encounter)
    together = who + member("encounter", encounter)
    return {"who": together, "patient": patient, "subject": who, "context": context}


def _in_words(house: House, at: datetime) -> bytes:
    on = at.date()
    date = house.kept(("day", on), lambda: escaped(house.text(day(on))))
    told = house.kept("moment", lambda: Template.of_text(house.text(at_time(*_DATE_AND_TIME))))
    return told.fill({"date": date, "time": b"%02d:%02d" % (at.hour, at.minute)})


_DATE_AND_TIME = blank("date"), blank("time")


def start(kind: str, role: str) -> Json:
    """A resource of this kind with its id."""
    return {"resourceType": kind, "id": identity(role)}


def who_and_when(element: str) -> Json:
    """Whom a resource is about, and `as_of` under the name that the resource has for it."""
    return {more("who"): None, element: blank("as_of")}


def entry(resource: Json) -> Json:
    """A resource as an entry of the Bundle; it is English unless it says otherwise."""
    resource.setdefault("language", ENGLISH)
    return {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}


def pointer(role: str) -> Json:
    """A reference to another resource of the answer."""
    return {"reference": f"urn:uuid:{identity(role)}"}


def classes(codes: Iterable[str]) -> list[Json]:
    """References to the Conditions of these classes."""
    return [pointer(f"class.{code}") for code in codes]
