"""JSON text, numbers, dates and shapes, before any meaning."""

import json
import re
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir import json_text
from cds_service.fhir.json_text import MAX_DEPTH, faults, parse
from cds_service.fhir.times import ends_before
from cds_service.fhir.times import parse as moment
from cds_service.fhir.wire import Concept, Quantity, decode, decoder, exact
from cds_service.fhir.wire_error import WireError
from cds_service.fhir.wire_resources import Observation
from tests.fhir.sending import text, weight


def problems_of(body: bytes) -> list[Problem]:
    with pytest.raises(MalformedRequest) as caught:
        parse(body)
    return list(caught.value.problems)


# --- JSON text (RFC 8259; FHIR R4 JSON) ---


@pytest.mark.parametrize(
    "body",
    [
        b'{"resourceType": "Bundle", "entry": [{"a": 1}, {"a": 1}]}',
        rb'{"a": "\u0022", "b": "\\u0022", "c": "\""}',
        b'{"a": {"b": 1}, "b": {"a": 1}}',
        '{"a": "Brenna", "á": "ü"}'.encode(),
        b'{\n  "a": [\n    {\n      "b": 3.20\n    }\n  ]\n}\n',
        b'{"a":1}\n\n',
        b"[]",
        b"3.20",
    ],
)
def test_a_text_without_a_repeated_key_is_read(body: bytes) -> None:
    assert parse(body) == json.loads(body)


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b'{"resourceType": "Bundle", "type": 1, "type": 1}', "Bundle.type"),
        (b'{"a": [{"b": 1, "b": 2}]}', "$this.a[0].b"),
        (rb'{"a": 1, "\u0061": "\u0022"}', "$this.a"),
        (b'{"the weight": 1, "the weight": 2}', "$this"),
        (b'{\n  "a": 1,\n  "a": 1\n}\n', "$this.a"),
        (b'{"a":1,"a":1}\n', "$this.a"),
        (b'{"a": {"c": "x", "c": "y"}, "b": "\\u0022\\u0022"}', "$this.a.c"),
    ],
)
def test_a_repeated_key_is_found_and_its_place_is_named(body: bytes, place: str) -> None:
    (problem,) = problems_of(body)
    assert (problem.code, problem.expression) == ("duplicate", place)


KEYS = st.sampled_from(["a", "b", "value", 'q"uote', "back\\slash", "ü"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.lists(st.tuples(KEYS, inner), max_size=4),
    max_leaves=12,
)


def written(value: object, *, ascii_only: bool) -> str:
    """JSON text in which objects are lists of pairs, so that a key can be repeated."""
    if isinstance(value, list) and value and isinstance(value[0], tuple):
        pairs = (
            f"{json.dumps(key, ensure_ascii=ascii_only)}: {written(item, ascii_only=ascii_only)}"
            for key, item in value
        )
        return "{" + ", ".join(pairs) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(written(item, ascii_only=ascii_only) for item in value) + "]"
    plain = json.dumps(value, ensure_ascii=ascii_only)
    # An escaped quote, not the quote after an escaped backslash.
    return re.sub(r"\\(.)", _as_number, plain) if ascii_only else plain


def _as_number(escape: re.Match[str]) -> str:
    return "\\u0022" if escape[1] == '"' else escape[0]


def has_repeated_key(value: object) -> bool:
    if isinstance(value, list) and value and isinstance(value[0], tuple):
        keys = [key for key, _ in value]
        return len(set(keys)) < len(keys) or any(has_repeated_key(item) for _, item in value)
    return isinstance(value, list) and any(has_repeated_key(item) for item in value)


@settings(deadline=None)
@given(JSON, st.booleans())
def test_a_key_is_refused_exactly_when_it_is_repeated(value: object, ascii_only: bool) -> None:
    body = written(value, ascii_only=ascii_only).encode()
    if has_repeated_key(value):
        assert {problem.code for problem in problems_of(body)} == {"duplicate"}
    else:
        parse(body)


def test_the_place_of_a_json_error_is_said_without_its_text() -> None:
    (problem,) = problems_of(b'{"a": 1,\n "b": secret}')
    assert "line 2, column 7" in problem.what
    assert "secret" not in problem.what


@pytest.mark.parametrize(("depth", "read"), [(MAX_DEPTH, True), (MAX_DEPTH + 1, False)])
def test_nesting_is_read_to_its_limit(depth: int, read: bool) -> None:
    body = b"[" * depth + b"]" * depth
    if read:
        assert parse(body)
    else:
        assert problems_of(body)[0].code == "too-costly"


def test_nulls_and_empty_things_are_found_where_they_stand() -> None:
    body = b"""{"resourceType": "Bundle", "name": [{"given": ["A", null], "family": ""}],
               "link": [], "text": {}, "active": null, "birth\xc3\xa9": [null]}"""
    parse(body)
    assert [problem.expression for problem in faults(body)] == [
        "Bundle.name[0].family",
        "Bundle.link",
        "Bundle.text",
        "Bundle.active",
    ]


def test_an_integer_of_any_length_is_only_looked_at() -> None:
    assert json_text.faults(b'{"a": ' + b"9" * 5000 + b"}") == []


# --- Numbers ---


@pytest.mark.parametrize(
    "number", ["3.20", "0", "-0.0", "1e2", "1E-3", "3400", "0.1234567890123456789012345678"]
)
def test_every_digit_of_a_number_is_kept(number: str) -> None:
    assert str(exact(number.encode())) == str(Decimal(number))


@pytest.mark.parametrize(
    "number",
    ["1e21", "1e-21", "1e999999999999", "9" * 29, "0." + "1" * 29, "3." + "2" * 100_000, "1" * 70],
)
def test_an_absurd_number_is_refused(number: str) -> None:
    with pytest.raises(WireError):
        exact(number.encode())


@pytest.mark.parametrize("value", ['"3.2"', "true", "null", "[3]", "{}"])
def test_what_is_not_a_number_is_not_read_as_one(value: str) -> None:
    raw = f'{{"value": {value}}}'.encode()
    with pytest.raises(MalformedRequest) as caught:
        decode(decoder(Quantity), raw, "Quantity")
    assert caught.value.problems[0].expression == "Quantity.value"


def test_a_quantity_cannot_be_given_its_exact_number_from_outside() -> None:
    raw = b'{"value": 3.2, "#": null}'
    assert decode(decoder(Quantity), raw, "").number == Decimal("3.2")


# --- Dates and times (FHIR R4 data types: date, dateTime, instant) ---


@pytest.mark.parametrize(
    ("sent", "first", "last"),
    [
        ("2026", date(2026, 1, 1), date(2026, 12, 31)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        ("2026-05-01", date(2026, 5, 1), date(2026, 5, 1)),
    ],
)
def test_a_partial_date_is_a_span(sent: str, first: date, last: date) -> None:
    when = moment(sent)
    assert (when.first, when.last, when.exact) == (first, last, None)


@pytest.mark.parametrize(
    ("sent", "meant"),
    [
        ("2026-05-01T09:30:00Z", "2026-05-01T09:30:00+00:00"),
        ("2026-05-01T09:30:00.5+14:00", "2026-05-01T09:30:00.500000+14:00"),
        ("2026-05-01T09:30:00.123456789-03:30", "2026-05-01T09:30:00.123456-03:30"),
        ("2016-12-31T23:59:60Z", "2016-12-31T23:59:59+00:00"),
    ],
)
def test_a_time_is_read_with_its_offset(sent: str, meant: str) -> None:
    exact_time = moment(sent).exact
    assert exact_time is not None
    assert exact_time.isoformat() == meant


@pytest.mark.parametrize(
    "sent",
    [
        "2026-02-30", "2026-13-45", "2026-00-01", "2025-02-29", "2026-5-1", "20260501", "26-05-01",
        "2026-05-01T09:30:00", "2026-05-01T09:30Z", "2026-05-01T24:00:00Z", "2026-05-01T09:61:00Z",
        "2026-05-01T09:30:00+15:00", "2026-05-01 09:30:00Z", "2026-05T09:30:00Z", "2026-W18-5",
        "2026-05-01\n", "٢٠٢٦-٠٥-٠١", "", "today", "1899-12-31", "2200", "0000",
        "2026-05-01T09:30:61Z",
    ],
)  # fmt: skip
def test_what_is_no_date_or_time_is_refused(sent: str) -> None:
    with pytest.raises(WireError):
        moment(sent)


def test_a_period_may_end_in_the_month_it_starts_in() -> None:
    assert not ends_before(moment("2026-05"), moment("2026-05-20"))
    assert ends_before(moment("2026-04"), moment("2026-05-20"))
    assert ends_before(moment("2026-05-01T09:00:00Z"), moment("2026-05-01T10:30:00+01:00"))


# --- Shapes ---


def test_elements_that_are_not_read_may_be_anything_legal() -> None:
    body = weight(
        meta={"versionId": "3"},
        text={"status": "generated", "div": "<div>-</div>"},
        contained=[{"resourceType": "Device", "id": "scale"}],
        extension=[{"url": "http://upper-brenna.example/e", "valueDecimal": 1}],
        component=[{"code": {"text": "x"}, "valueQuantity": {"value": 9}}],
        identifier=[{"value": "7"}],
        _status={"extension": [{"url": "http://upper-brenna.example/e", "valueCode": "x"}]},
    )
    one = decode(decoder(Observation), text(body), "Observation")
    assert one.value_quantity
    assert one.value_quantity.number == Decimal("3.4")


def test_the_words_of_a_concept_are_its_text_and_displays() -> None:
    concept = decode(decoder(Concept), b'{"coding": [{"display": "Axilla"}], "text": "LEFT"}', "")
    assert concept.words() == "axilla left"


def test_a_problem_names_its_place_by_the_names_of_fhir() -> None:
    body = text(weight(code={"coding": [{"system": "http://loinc.org"}, {"code": 7}]}))
    with pytest.raises(MalformedRequest) as caught:
        decode(decoder(Observation), body, "Bundle.entry[3].resource")
    (problem,) = caught.value.problems
    assert problem.expression == "Bundle.entry[3].resource.code.coding[1].code"
    assert problem.what == "Expected 'str', got 'int'."
