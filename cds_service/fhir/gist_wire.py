"""The elements of an answer that say what is to be done; all else in it is skipped."""

from decimal import Decimal

from msgspec import Struct


class _Part(Struct, rename="camel", gc=False, frozen=True):
    """Base of every shape here. What is absent is empty."""


class Coding(_Part, frozen=True):
    """FHIR Coding."""

    system: str = ""
    code: str = ""
    display: str = ""


class Concept(_Part, frozen=True):
    """FHIR CodeableConcept."""

    coding: tuple[Coding, ...] = ()
    text: str = ""

    def code(self) -> str:
        """Its first code, else its text."""
        return self.coding[0].code if self.coding else self.text

    def said(self) -> str:
        """Its text, else its first code."""
        return self.text or self.code()


class Quantity(_Part, frozen=True):
    """FHIR Quantity."""

    value: Decimal = Decimal(0)
    unit: str = ""
    code: str = ""


class Period(_Part, frozen=True):
    """FHIR Period."""

    start: str = ""
    end: str = ""


class Repeat(_Part, frozen=True):
    """FHIR Timing.repeat."""

    count: int = 0
    frequency: int = 0
    bounds_duration: Quantity | None = None
    bounds_period: Period | None = None


class Timing(_Part, frozen=True):
    """FHIR Timing."""

    repeat: Repeat = Repeat()


class DoseAndRate(_Part, frozen=True):
    """FHIR Dosage.doseAndRate."""

    dose_quantity: Quantity | None = None


class Dosage(_Part, frozen=True):
    """FHIR Dosage."""

    text: str = ""
    patient_instruction: str = ""
    timing: Timing = Timing()
    dose_and_rate: tuple[DoseAndRate, ...] = ()


class Medication(_Part, frozen=True):
    """FHIR Medication."""

    code: Concept = Concept()


class Reference(_Part, frozen=True):
    """FHIR Reference."""

    reference: str = ""


class Action(_Part, frozen=True):
    """FHIR RequestGroup.action."""

    id: str = ""
    resource: Reference = Reference()
    action: tuple["Action", ...] = ()


class Payload(_Part, frozen=True):
    """FHIR CommunicationRequest.payload."""

    content_string: str = ""


class Mitigation(_Part, frozen=True):
    """FHIR DetectedIssue.mitigation."""

    action: Concept = Concept()


class CodeFilter(_Part, frozen=True):
    """FHIR DataRequirement.codeFilter."""

    code: tuple[Coding, ...] = ()


class Requirement(_Part, frozen=True):
    """FHIR DataRequirement."""

    type: str = ""
    code_filter: tuple[CodeFilter, ...] = ()


class Narrative(_Part, frozen=True):
    """FHIR Narrative."""

    div: str = ""


class Section(_Part, frozen=True):
    """FHIR Composition.section."""

    title: str = ""
    text: Narrative = Narrative()
    section: tuple["Section", ...] = ()


class Resource(_Part, frozen=True, kw_only=True):
    """Any resource of an answer."""

    resource_type: str
    status: str = ""
    intent: str = ""
    priority: str = ""
    code: Concept = Concept()
    category: tuple[Concept, ...] = ()
    description: str = ""
    data_requirement: tuple[Requirement, ...] = ()
    action: tuple[Action, ...] = ()
    contained: tuple[Medication, ...] = ()
    dosage_instruction: tuple[Dosage, ...] = ()
    occurrence_date_time: str = ""
    occurrence_timing: Timing = Timing()
    patient_instruction: str = ""
    payload: tuple[Payload, ...] = ()
    severity: str = ""
    mitigation: tuple[Mitigation, ...] = ()
    section: tuple[Section, ...] = ()


class Entry(_Part, frozen=True):
    """FHIR Bundle.entry."""

    resource: Resource
    full_url: str = ""


class Answer(_Part, frozen=True):
    """The answer Bundle."""

    entry: tuple[Entry, ...] = ()
