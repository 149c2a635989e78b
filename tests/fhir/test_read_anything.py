"""Whatever stands in the place of an element, the request is read or refused: never a crash."""

import copy
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.errors import RequestError
from tests.fhir.sending import OWN, Json, bundle, concept, parameters, request
from tests.fhir.test_read_conditions import FIT, PENICILLIN, allergy, condition
from tests.fhir.test_read_medicines import by_reference, dose, medication, order, statement
from tests.fhir.test_read_order import MIXED

WHOLE = parameters(
    bundle(
        *MIXED,
        allergy(PENICILLIN),
        condition(FIT, recordedDate="2026-04-30"),
        dose(),
        order(),
        statement(),
        medication(),
        by_reference({"reference": "#drug-1"}, id="dose-2", contained=[medication()]),
    ),
    {"name": "subject", "valueString": "Patient/infant-1"},
    {"name": "encounter", "valueString": "visit-1"},
    {"name": "userLanguage", "valueCode": "en"},
    {"name": "availableMedication", "valueCodeableConcept": concept(f"{OWN}/formulation", "x")},
)
Path = tuple[str | int, ...]


def paths(value: Any, here: Path = ()) -> list[Path]:
    """The places of all elements below a value."""
    pairs = value.items() if isinstance(value, dict) else []
    pairs = enumerate(value) if isinstance(value, list) else pairs
    return [path for key, inner in pairs for path in [(*here, key), *paths(inner, (*here, key))]]


ODD: list[Any] = [
    None, True, 0, -1, 1e300, 12345678901234567890123, "", "x", "2026", "#", "urn:uuid:x", "/",
    "http://", "Patient/", [], {}, [[]], [None], {"resourceType": 5}, {"resourceType": "Patient"},
    "a" * 5000, {"coding": [{}]}, {"reference": "#"}, {"value": 1}, "9999-12-31T23:59:59-14:00",
    "2199-12-31T23:59:59-14:00", "1900-01-01T00:00:00+14:00", "2199", "1900",
    {"start": "2199-12-31T23:00:00Z"}, [{"resourceType": "Medication", "id": "drug-1"}],
]  # fmt: skip


def with_odd(path: Path, odd: Any) -> Json:
    """The whole request with something odd in one place."""
    body = copy.deepcopy(WHOLE)
    place: Any = body
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = odd
    return body


def is_answered(body: Json, *, strict: bool) -> None:
    try:
        request(body, strict=strict)
    except RequestError as error:
        told = [problem for problem in error.problems if problem.what and problem.remedy]
        if len(told) < len(error.problems):
            raise


@settings(max_examples=500, deadline=None)
@given(st.sampled_from(paths(WHOLE)), st.sampled_from(ODD))
def test_anything_in_any_place_is_answered(path: Path, odd: Any) -> None:
    is_answered(with_odd(path, odd), strict=False)


@settings(max_examples=50, deadline=None)
@given(st.sampled_from(paths(WHOLE)), st.sampled_from(ODD))
def test_anything_in_any_place_is_answered_strictly(path: Path, odd: Any) -> None:
    is_answered(with_odd(path, odd), strict=True)
