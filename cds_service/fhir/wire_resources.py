"""The elements that are read of each FHIR R4 resource type.

A required binding of R4 is a Literal; an unknown code is malformed. `value[x]` elements that are
never used are declared as Raw, only so that their presence is seen.
"""

from collections.abc import Callable
from decimal import Decimal
from functools import reduce
from operator import attrgetter, or_
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Raw, Struct, UnsetType, defstruct, field

from cds_service.fhir import codes, terms
from cds_service.fhir.times import When
from cds_service.fhir.wire import (
    Concept,
    NamedReference,
    Period,
    Quantity,
    Reference,
    Resource,
    Text,
    Wire,
    exact,
    one_of,
)
from cds_service.fhir.wire_error import WireError
from cds_service.fhir.wire_response import ResponseItem


class Link(Wire):
    """Patient.link: another record of the same person."""

    type: Literal["replaced-by", "replaces", "refer", "seealso"]


class Extension(Wire, kw_only=True):
    """FHIR Extension, as far as it may hold a time."""

    url: Text
    value_date_time: When | UnsetType = UNSET


class Extended(Wire, kw_only=True):
    """What stands beside a primitive element: its extensions."""

    extension: Annotated[list[Extension], Meta(min_length=1)] | UnsetType = UNSET


class Patient(Resource, kw_only=True):
    """FHIR Patient."""

    active: bool | UnsetType = UNSET
    gender: Literal["male", "female", "other", "unknown"] | UnsetType = UNSET
    birth_date: When | UnsetType = UNSET
    beside_birth_date: Extended | UnsetType = field(name="_birthDate", default=UNSET)
    deceased_boolean: bool | UnsetType = UNSET
    deceased_date_time: When | UnsetType = UNSET
    link: Annotated[list[Link], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        one_of("deceased", self.deceased_boolean, self.deceased_date_time)
        if self.birth_date is not UNSET and self.birth_date.exact is not None:
            what = "A FHIR date has no time of day."
            raise WireError("value", what, "Send YYYY-MM-DD.", ".birthDate")


class Encounter(Resource, kw_only=True):
    """FHIR Encounter."""

    status: Literal[
        "planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled",
        "entered-in-error", "unknown",
    ]  # fmt: skip
    subject: Reference | UnsetType = UNSET
    period: Period | UnsetType = UNSET


class Clinical(Resource):
    """What the resources about one patient share."""

    subject: Reference | UnsetType = UNSET


class Component(Wire, kw_only=True):
    """FHIR Observation.component; its elements are those of the same names of Observation."""

    code: Concept
    value_quantity: Quantity | UnsetType = UNSET
    value_boolean: bool | UnsetType = UNSET
    value_codeable_concept: Concept | UnsetType = UNSET
    value_string: Raw | UnsetType = UNSET
    value_integer: Raw | UnsetType = UNSET
    value_range: Raw | UnsetType = UNSET
    value_ratio: Raw | UnsetType = UNSET
    value_sampled_data: Raw | UnsetType = UNSET
    value_time: Raw | UnsetType = UNSET
    value_date_time: Raw | UnsetType = UNSET
    value_period: Raw | UnsetType = UNSET
    data_absent_reason: Concept | UnsetType = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        _one_value(self)


class Observation(Clinical, kw_only=True):
    """FHIR Observation."""

    status: Literal[
        "registered", "preliminary", "final", "amended", "corrected", "cancelled",
        "entered-in-error", "unknown",
    ]  # fmt: skip
    code: Concept
    effective_date_time: When | UnsetType = UNSET
    effective_instant: When | UnsetType = UNSET
    effective_period: Period | UnsetType = UNSET
    effective_timing: Raw | UnsetType = UNSET
    value_quantity: Quantity | UnsetType = UNSET
    value_boolean: bool | UnsetType = UNSET
    value_codeable_concept: Concept | UnsetType = UNSET
    value_string: Raw | UnsetType = UNSET
    value_integer: Raw | UnsetType = UNSET
    value_range: Raw | UnsetType = UNSET
    value_ratio: Raw | UnsetType = UNSET
    value_sampled_data: Raw | UnsetType = UNSET
    value_time: Raw | UnsetType = UNSET
    value_date_time: Raw | UnsetType = UNSET
    value_period: Raw | UnsetType = UNSET
    data_absent_reason: Concept | UnsetType = UNSET
    body_site: Concept | UnsetType = UNSET
    method: Concept | UnsetType = UNSET
    component: Annotated[list[Component], Meta(min_length=1)] | UnsetType = UNSET

    def has_value(self) -> bool:
        """Whether there is a value[x] of any type."""
        values = _values(self)
        return values.count(UNSET) < len(values)

    def __post_init__(self) -> None:
        values = _values(self)
        # Nearly every Observation has one value, and needs no more than this look.
        if values.count(UNSET) < len(values) - 1 or self.data_absent_reason is not UNSET:
            _one_value(self)
        times = (
            self.effective_date_time, self.effective_instant, self.effective_period,
            self.effective_timing,
        )  # fmt: skip
        if times.count(UNSET) < len(times) - 1:
            one_of("effective", *times)
        if self.effective_instant is not UNSET and self.effective_instant.exact is None:
            what = "A FHIR instant has a time and an offset."
            remedy = "Send it whole, or a date as effectiveDateTime."
            raise WireError("value", what, remedy, ".effectiveInstant")


_VALUES = tuple(name for name in Component.__struct_fields__ if name.startswith("value_"))
_values: Callable[[Observation | Component], tuple[object, ...]] = attrgetter(*_VALUES)
"""Every value[x], given or not."""


def _one_value(one: Observation | Component) -> None:
    """Raise WireError when there is more than one value, or one and a reason for its absence."""
    values = _values(one)
    absent = values.count(UNSET)
    if absent < len(values) - 1:
        one_of("value", *values)
    if one.data_absent_reason is not UNSET and absent < len(values):
        what = "There is a value and a reason why there is none (obs-6)."
        raise WireError("invariant", what, "Send the one that holds.", ".dataAbsentReason")


def _bound(element: str, system: str, concept: Concept | UnsetType) -> None:
    """Raise WireError unless a status concept has a code of the system it is bound to."""
    if concept is UNSET:
        return
    codes = [coding.code for coding in concept.codings() if coding.system == system]
    if not codes or not terms.STATUS_CODES[system].issuperset(codes):
        what = "The status has no code, or an unknown one, of the system FHIR R4 binds it to."
        raise WireError("code-invalid", what, f"Send a code of {system}.", f".{element}")


class Condition(Clinical, kw_only=True):
    """FHIR Condition."""

    code: Concept | UnsetType = UNSET
    clinical_status: Concept | UnsetType = UNSET
    verification_status: Concept | UnsetType = UNSET
    onset_date_time: When | UnsetType = UNSET
    recorded_date: When | UnsetType = UNSET
    abatement_date_time: When | UnsetType = UNSET
    abatement_age: Raw | UnsetType = UNSET
    abatement_period: Raw | UnsetType = UNSET
    abatement_range: Raw | UnsetType = UNSET
    abatement_string: Raw | UnsetType = UNSET

    def __post_init__(self) -> None:
        _bound("clinicalStatus", codes.CONDITION_CLINICAL, self.clinical_status)
        _bound("verificationStatus", codes.CONDITION_VERIFICATION, self.verification_status)

    def abated(self) -> bool:
        """Whether an end is recorded, in whatever form."""
        ends = (
            self.abatement_date_time, self.abatement_age, self.abatement_period,
            self.abatement_range, self.abatement_string,
        )  # fmt: skip
        return ends.count(UNSET) < len(ends)


class AllergyIntolerance(Resource, kw_only=True):
    """FHIR AllergyIntolerance."""

    patient: Reference | UnsetType = UNSET
    code: Concept | UnsetType = UNSET
    clinical_status: Concept | UnsetType = UNSET
    verification_status: Concept | UnsetType = UNSET
    onset_date_time: When | UnsetType = UNSET
    recorded_date: When | UnsetType = UNSET

    def __post_init__(self) -> None:
        _bound("clinicalStatus", terms.ALLERGY_CLINICAL, self.clinical_status)
        _bound("verificationStatus", terms.ALLERGY_VERIFICATION, self.verification_status)

    @property
    def subject(self) -> Reference | UnsetType:
        """The patient, by the name that other resources use."""
        return self.patient


class Medicated(Clinical):
    """What the resources that name a medicine share."""

    medication_codeable_concept: Concept | UnsetType = UNSET
    medication_reference: NamedReference | UnsetType = UNSET
    contained: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        one_of("medication", self.medication_codeable_concept, self.medication_reference)
        if self.medication_codeable_concept is UNSET and self.medication_reference is UNSET:
            what = "The element medication[x] is missing."
            raise WireError("required", what, "Send the medicine.", ".medication")


class GivenDosage(Wire, kw_only=True):
    """FHIR MedicationAdministration.dosage, as far as it says how much was given."""

    dose: Quantity | UnsetType = UNSET


class MedicationAdministration(Medicated, kw_only=True):
    """FHIR MedicationAdministration."""

    status: Literal[
        "in-progress", "not-done", "on-hold", "completed", "entered-in-error", "stopped",
        "unknown",
    ]  # fmt: skip
    dosage: GivenDosage | UnsetType = UNSET
    request: Reference | UnsetType = UNSET
    effective_date_time: When | UnsetType = UNSET
    effective_period: Period | UnsetType = UNSET

    def __post_init__(self) -> None:
        Medicated.__post_init__(self)
        one_of("effective", self.effective_date_time, self.effective_period)


class Repeat(Wire, kw_only=True):
    """FHIR Timing.repeat, as far as it says how long and how often a day.

    `every` is its period exactly as written (no element of FHIR).
    """

    bounds_duration: Quantity | UnsetType = UNSET
    bounds_period: Period | UnsetType = UNSET
    frequency: int | UnsetType = UNSET
    period: Raw | UnsetType = UNSET
    period_unit: Literal["s", "min", "h", "d", "wk", "mo", "a"] | UnsetType = UNSET
    every: Decimal | None = field(name="#", default=None)

    def __post_init__(self) -> None:
        self.every = None if self.period is UNSET else exact(bytes(self.period), ".period")


class Timing(Wire, kw_only=True):
    """FHIR Timing."""

    repeat: Repeat | UnsetType = UNSET
    code: Concept | UnsetType = UNSET


class DoseAndRate(Wire, kw_only=True):
    """FHIR Dosage.doseAndRate."""

    type: Concept | UnsetType = UNSET
    dose_quantity: Quantity | UnsetType = UNSET


class Dosage(Wire, kw_only=True):
    """FHIR Dosage."""

    timing: Timing | UnsetType = UNSET
    dose_and_rate: Annotated[list[DoseAndRate], Meta(min_length=1)] | UnsetType = UNSET


class MedicationRequest(Medicated, kw_only=True):
    """FHIR MedicationRequest."""

    status: Literal[
        "active", "on-hold", "cancelled", "completed", "entered-in-error", "stopped", "draft",
        "unknown",
    ]  # fmt: skip
    intent: Literal[
        "proposal", "plan", "order", "original-order", "reflex-order", "filler-order",
        "instance-order", "option",
    ]  # fmt: skip
    do_not_perform: bool | UnsetType = UNSET
    authored_on: When | UnsetType = UNSET
    dosage_instruction: Annotated[list[Dosage], Meta(min_length=1)] | UnsetType = UNSET


class MedicationStatement(Medicated, kw_only=True):
    """FHIR MedicationStatement."""

    status: Literal[
        "active", "completed", "entered-in-error", "intended", "stopped", "on-hold", "unknown",
        "not-taken",
    ]  # fmt: skip
    dosage: Annotated[list[Dosage], Meta(min_length=1)] | UnsetType = UNSET
    effective_date_time: When | UnsetType = UNSET
    effective_period: Period | UnsetType = UNSET

    def __post_init__(self) -> None:
        Medicated.__post_init__(self)
        one_of("effective", self.effective_date_time, self.effective_period)


class QuestionnaireResponse(Clinical, kw_only=True):
    """FHIR QuestionnaireResponse."""

    status: Literal["in-progress", "completed", "amended", "entered-in-error", "stopped"]
    questionnaire: Text | UnsetType = UNSET
    authored: When | UnsetType = UNSET
    item: Annotated[list[ResponseItem], Meta(min_length=1)] | UnsetType = UNSET


class Medication(Resource, kw_only=True):
    """FHIR Medication."""

    status: Literal["active", "inactive", "entered-in-error"] | UnsetType = UNSET
    code: Concept | UnsetType = UNSET
    ingredient: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET


Readable = (
    AllergyIntolerance
    | Condition
    | Encounter
    | Medication
    | MedicationAdministration
    | MedicationRequest
    | MedicationStatement
    | Observation
    | Patient
    | QuestionnaireResponse
)
"""The resource types that are read."""


class Other(Wire, tag_field="resourceType", tag=True):
    """A resource of a type that is accepted and left out, whatever is in it."""


_OTHERS = (
    "CarePlan", "CareTeam", "Composition", "Coverage", "Device", "DiagnosticReport",
    "DocumentReference", "EpisodeOfCare", "FamilyMemberHistory", "Flag", "Goal", "Immunization",
    "Location", "MedicationDispense", "OperationOutcome", "Organization", "Practitioner",
    "PractitionerRole", "Procedure", "Provenance", "RelatedPerson",
    "ServiceRequest", "Specimen", "Task",
)  # fmt: skip


def _other(name: str) -> type[Struct]:
    return defstruct(name, [], bases=(Other,), tag_field="resourceType", tag=True)


USUAL: Any = reduce(or_, map(_other, _OTHERS), Readable)
"""What a Bundle usually holds, so that it can be decoded in one go."""
