"""The items and answers of a QuestionnaireResponse (FHIR R4 questionnaireresponse.html)."""

from typing import Annotated

from msgspec import UNSET, Meta, Raw, UnsetType

from cds_service.fhir.times import When
from cds_service.fhir.wire import Coding, Quantity, Text, Wire, one_of
from cds_service.fhir.wire_error import WireError


class ResponseAnswer(Wire, kw_only=True):
    """FHIR QuestionnaireResponse.item.answer."""

    value_boolean: bool | UnsetType = UNSET
    value_coding: Coding | UnsetType = UNSET
    value_quantity: Quantity | UnsetType = UNSET
    value_date_time: When | UnsetType = UNSET
    value_date: Raw | UnsetType = UNSET
    value_time: Raw | UnsetType = UNSET
    value_decimal: Raw | UnsetType = UNSET
    value_integer: Raw | UnsetType = UNSET
    value_string: Raw | UnsetType = UNSET
    value_uri: Raw | UnsetType = UNSET
    value_attachment: Raw | UnsetType = UNSET
    value_reference: Raw | UnsetType = UNSET
    item: "Annotated[list[ResponseItem], Meta(min_length=1)] | UnsetType" = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        one_of("value", *(getattr(self, name) for name in _ANSWER_VALUES))


_ANSWER_VALUES = tuple(
    name for name in ResponseAnswer.__struct_fields__ if name.startswith("value_")
)


class ResponseItem(Wire, kw_only=True):
    """FHIR QuestionnaireResponse.item: a group, or a question with its answers."""

    link_id: Text
    answer: Annotated[list[ResponseAnswer], Meta(min_length=1)] | UnsetType = UNSET
    item: "Annotated[list[ResponseItem], Meta(min_length=1)] | UnsetType" = UNSET
    modifier_extension: Annotated[list[Raw], Meta(min_length=1)] | UnsetType = UNSET

    def __post_init__(self) -> None:
        if self.answer is not UNSET and self.item is not UNSET:
            what = "Nested items stand beside an answer, not in it (qrs-1)."
            raise WireError("invariant", what, "Put them into the answer.", ".item")
