"""The shape of the FHIR R4 elements that are read, and nothing else.

msgspec checks JSON types, required elements and required codes while it decodes; an element
that is not declared here is skipped. Absent is UNSET, never None: null is not FHIR.
"""

from decimal import Decimal
from typing import Annotated, Any, Generic, Literal, TypeVar

from msgspec import UNSET, Meta, Raw, Struct, UnsetType
from msgspec.json import Decoder

from cds_service.errors import MalformedRequest
from cds_service.fhir.times import When, ends_before, parse
from cds_service.fhir.wire_error import DECODE_ERRORS, WireError, from_decoder

MAX_DIGITS = 28
"""Significant digits of a number: what Decimal arithmetic keeps exactly."""
MAX_EXPONENT = 20
"""A power of ten beyond this is no measurement."""

_LONGEST, _SHORT = 60, 20
_NUMERIC = b"-0123456789"
T = TypeVar("T")
R = TypeVar("R")

Id = Annotated[str, Meta(min_length=1, max_length=64)]
"""Its letters are checked in `read_entries`: a pattern for each id would cost too much here."""
Text = Annotated[str, Meta(min_length=1)]


class Wire(Struct, rename="camel", gc=False):
    """Base of every shape: FHIR's element names are the camelCase of ours."""


class Coding(Wire):
    """FHIR Coding."""

    system: Text | UnsetType = UNSET
    code: Text | UnsetType = UNSET
    display: Text | UnsetType = UNSET


class Concept(Wire):
    """FHIR CodeableConcept."""

    coding: Annotated[list[Coding], Meta(min_length=1)] | UnsetType = UNSET
    text: Text | UnsetType = UNSET

    def codings(self) -> list[Coding]:
        """The codings, none when there is only text."""
        return [] if self.coding is UNSET else self.coding

    def words(self) -> str:
        """All its words in lower case, for the few places where a text says enough."""
        words = [coding.display for coding in self.codings() if coding.display is not UNSET]
        return " ".join([*words, "" if self.text is UNSET else self.text]).lower()


class Reference(Wire):
    """FHIR Reference; a logical one (identifier only) has no `reference`."""

    reference: Text | UnsetType = UNSET


class NamedReference(Reference):
    """FHIR Reference with the words beside it, for where they may say enough."""

    display: Text | UnsetType = UNSET


class Period(Wire):
    """FHIR Period."""

    start: When | UnsetType = UNSET
    end: When | UnsetType = UNSET

    def __post_init__(self) -> None:
        if self.start is not UNSET and self.end is not UNSET and ends_before(self.end, self.start):
            what = "The period ends before it starts (per-1)."
            raise WireError("invariant", what, "Check both times.")


class Quantity(Wire, rename={"number": "#"}):
    """FHIR Quantity; `number` is its value exactly as written (no element of FHIR)."""

    value: Raw | UnsetType = UNSET
    unit: Text | UnsetType = UNSET
    system: Text | UnsetType = UNSET
    code: Text | UnsetType = UNSET
    comparator: Literal["<", "<=", ">=", ">"] | UnsetType = UNSET
    number: Decimal | None = None

    def __post_init__(self) -> None:
        self.number = None if self.value is UNSET else exact(bytes(self.value))


class Resource(Wire, tag_field="resourceType", tag=True):
    """What every resource may have. Rules that are not known must not be passed over."""

    id: Id | UnsetType = UNSET
    implicit_rules: Text | UnsetType = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def has_unknown_rules(self) -> bool:
        """Whether an extension or a rule may change the meaning of the whole resource."""
        return self.modifier_extension is not UNSET or self.implicit_rules is not UNSET


class Entry(Wire, Generic[R], kw_only=True):
    """One entry of a Bundle; its resource is decoded with it, or later (R is then Raw)."""

    full_url: Text | UnsetType = UNSET
    resource: R | UnsetType = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        if self.full_url is UNSET:
            return
        if ":" not in self.full_url or "/_history/" in self.full_url:
            what = "A fullUrl is an absolute address without a version (bdl-8)."
            raise WireError("invariant", what, "Send an address or urn:uuid:, or none.", ".fullUrl")


class Bundle(Resource, Generic[R], kw_only=True):
    """FHIR Bundle."""

    type: Literal[
        "document", "message", "transaction", "transaction-response", "batch", "batch-response",
        "history", "searchset", "collection",
    ]  # fmt: skip
    entry: Annotated[list[Entry[R]], Meta(min_length=1)] | UnsetType = UNSET


class Parameter(Wire, Generic[R], kw_only=True):
    """One parameter of the operation, with the value types that it may have here."""

    name: Text
    value_string: Text | UnsetType = UNSET
    value_code: Text | UnsetType = UNSET
    value_reference: Reference | UnsetType = UNSET
    value_codeable_concept: Concept | UnsetType = UNSET
    value_date_time: When | UnsetType = UNSET
    resource: R | UnsetType = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET


class Parameters(Resource, Generic[R], kw_only=True):
    """FHIR Parameters."""

    parameter: Annotated[list[Parameter[R]], Meta(min_length=1)] | UnsetType = UNSET


def is_uri(text: str) -> bool:
    """Whether a text can be an address: FHIR's uri has no white space, and ours no control either.

    >>> is_uri("Encounter/7"), is_uri("Encounter/7 8"), is_uri("Encounter/7\x1e")
    (True, False, False)
    """
    return text.isprintable() and " " not in text


def exact(raw: bytes, below: str = ".value") -> Decimal:
    """The number as written, every digit of it; raises WireError (never through a float).

    `below` names the element that it is the value of.

    >>> exact(b"3.20")
    Decimal('3.20')
    """
    if raw[0] not in _NUMERIC:
        what = "The value is not a JSON number."
        raise WireError("structure", what, "Send a number without quotation marks.", below)
    text = raw[:_LONGEST].decode("ascii")
    number = Decimal(text)
    if len(raw) <= _SHORT and "e" not in text and "E" not in text:
        return number
    if number and abs(number.adjusted()) > MAX_EXPONENT:
        what = f"The number is beyond ten to the power of {MAX_EXPONENT}."
        raise WireError("value", what, "Send the measured value.", below)
    if len(raw) > _LONGEST or len(number.as_tuple().digits) > MAX_DIGITS:
        what = f"The number has more than {MAX_DIGITS} digits."
        raise WireError("value", what, "Send the digits that were measured.", below)
    return number


def one_of(name: str, *values: object) -> None:
    """Raise WireError when more than one type of a choice element is given."""
    if values.count(UNSET) < len(values) - 1:
        what = f"Only one {name}[x] may be given."
        raise WireError("structure", what, "Send the one that holds.", f".{name}")


def decoder(kind: type[T]) -> Decoder[T]:
    """A decoder for one shape, made once (msgspec compiles it)."""
    return Decoder(kind, dec_hook=_when)


def decode(shape: Decoder[T], raw: bytes | Raw, expression: str) -> T:
    """Decode one resource; raises MalformedRequest with the place below `expression`."""
    try:
        return shape.decode(raw)
    except DECODE_ERRORS as error:
        raise MalformedRequest(from_decoder(error, expression)) from None


def _when(_kind: type[Any], value: object) -> When:
    # The only type here that msgspec does not know of itself.
    if not isinstance(value, str):
        raise WireError(
            "structure", "A date or time is a JSON text.", "Send it in quotation marks."
        )
    return parse(value)
