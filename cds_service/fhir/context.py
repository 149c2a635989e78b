"""What every reader of one resource needs to know of the request."""

from dataclasses import dataclass, field
from datetime import datetime

from cds_service.case import Age
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.lookup import Lookup
from cds_service.fhir.read_visit import Visit
from cds_service.fhir.wire_resources import Medication, MedicationRequest


@dataclass(frozen=True, slots=True)
class Context:
    """The protocol's codes, the visit, the medications referred to; facts are added to it."""

    lookup: Lookup
    visit: Visit
    medications: list[Sent[Medication]]
    facts: Facts
    orders: list[Sent[MedicationRequest]] = field(default_factory=list)
    """Orders of this infant, as the doses given by them refer to them."""
    ages: list[tuple[datetime, Age]] = field(default_factory=list)
    """Measured ages with the time of each: they count only without a birth date."""
