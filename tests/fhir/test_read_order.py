"""The order of entries and elements, white space and escapes change nothing."""

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fhir.sending import (
    bundle,
    case,
    encounter,
    entry,
    finding,
    infant,
    parameters,
    request,
    text,
    weight,
    without_places,
)

MIXED = [
    *infant(weight(), weight(id="weight-2", effectiveDateTime="2026-04-30")),
    finding("convulsions", id="again", valueBoolean=True),
    finding("jaundice", id="late", effectiveDateTime="2027"),
    finding("unheard-of", id="new"),
    weight(id="weight-3", status="cancelled"),
    weight(id="weight-4", unit="stone"),
    encounter(period={"start": "2026-05-01T09:00:00+02:00"}),
]


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_entries_changes_nothing(shuffle: random.Random) -> None:
    entries = [entry(one) for one in MIXED]
    expected = without_places(request(bundle(entry=entries)).case)
    shuffle.shuffle(entries)
    assert without_places(request(bundle(entry=entries)).case) == expected


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_elements_changes_nothing(shuffle: random.Random) -> None:
    def mixed(value: object) -> object:
        if isinstance(value, dict):
            items = [(key, mixed(inner)) for key, inner in value.items()]
            shuffle.shuffle(items)
            return dict(items)
        return [mixed(inner) for inner in value] if isinstance(value, list) else value

    body = bundle(*MIXED)
    assert request(text(mixed(body))).case == request(body).case  # type: ignore[arg-type]


def test_white_space_and_escapes_change_nothing() -> None:
    body = bundle(*infant(weight()))
    assert request(json.dumps(body, indent=3).encode()).case == request(body).case
    escaped = text(body).replace(b"convulsions", b"convulsion\\u0073")
    assert request(escaped).case == request(body).case


def test_facts_are_in_order_of_code_time_and_value() -> None:
    read = case(*MIXED)
    assert [one.code for one in read.findings] == sorted(one.code for one in read.findings)
    assert [one.kind for one in read.measurements][:3] == ["respiratory-rate"] * 2 + ["temperature"]


@pytest.mark.parametrize("kind", ["Location", "Practitioner", "MolecularSequence", "Unheard"])
def test_a_resource_that_is_not_read_changes_nothing(kind: str) -> None:
    """A type that is not usual makes the reader decode one by one: it must come to the same."""
    other = {"resourceType": kind, "id": "tolm-ford", "status": 7, "code": [None]}
    for resources in (MIXED, infant(weight())):
        assert request(bundle(*resources, other)).case == request(bundle(*resources)).case
        wrapped, more = parameters(bundle(*resources)), parameters(bundle(*resources, other))
        assert request(more).case == request(wrapped).case


def test_a_resource_sent_twice_changes_nothing() -> None:
    for again in MIXED:
        assert request(bundle(*MIXED, again)).case == request(bundle(*MIXED)).case
