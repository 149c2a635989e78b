"""A body that cannot be read is told what is wrong with it, not only that it is no JSON."""

import pytest

from cds_service.errors import MalformedRequest, Problem
from cds_service.fhir.json_text import parse


def refusal(body: bytes) -> Problem:
    with pytest.raises(MalformedRequest) as refused:
        parse(body)
    (problem,) = refused.value.problems
    return problem


@pytest.mark.parametrize("levels", [255, 1024, 1025, 100_000])
def test_nesting_is_called_nesting_however_deep(levels: int) -> None:
    problem = refusal(b"[" * levels + b"]" * levels)

    assert problem.what == "The body is nested more than 254 levels deep."
    assert problem.code == "too-costly"


@pytest.mark.parametrize("number", [b"1e999", b"-1e999", b"9" * 500])
def test_a_number_too_large_is_called_so_and_not_repeated(number: bytes) -> None:
    problem = refusal(b'{"resourceType": "Bundle",\n "total": ' + number + b"}")

    assert problem.what == "The body has a number that is too large (line 2, column 11)."
    assert problem.code == "value"


@pytest.mark.parametrize("letter", [b"\xe9", b"\xff", b"\xed\xa0\x80", b"\xc3"])
def test_what_is_not_utf_8_is_told_with_its_place(letter: bytes) -> None:
    body = '{"resourceType": "Bundle",\n "é": "Zo'.encode() + letter + b'"}'

    assert refusal(body).what == "The body is not UTF-8 (line 2, column 10)."
    assert refusal(letter).what == "The body is not UTF-8 (line 1, column 1)."


@pytest.mark.parametrize("body", [b"", b"{", b'{"a": NaN}', b'{"a": 01}', b"\xef\xbb\xbf{}"])
def test_anything_else_is_not_json(body: bytes) -> None:
    assert refusal(body).what.startswith("The body is not JSON (line 1, column")


@pytest.mark.parametrize("key", ["Orla", "orla-fenn", "mv_7", "mv7", "k" * 51, "naïve", ""])
def test_a_key_that_may_be_anything_is_not_repeated(key: str) -> None:
    body = f'{{"resourceType": "Bundle", "x": [{{"{key}": 1, "{key}": 2}}]}}'
    problem = refusal(body.encode())
    assert (problem.code, problem.expression) == ("duplicate", "Bundle.x[0]")


def test_a_type_that_may_be_anything_is_not_repeated() -> None:
    body = b'{"resourceType": "Orla", "status": 1, "status": 2}'
    assert refusal(body).expression == "$this.status"
