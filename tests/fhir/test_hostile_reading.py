"""What the reader makes of hostile requests (tests/fhir/hostile.py)."""

import pytest

from cds_service.errors import MalformedRequest, RequestError, UnusableRequest
from tests.fhir.hostile import GOOD, HOSTILE, Hostile
from tests.fhir.sending import reasons, request

ERRORS: dict[int, type[RequestError]] = {400: MalformedRequest, 422: UnusableRequest}
STOPPED = [one for one in HOSTILE if one.status != 200]
REFUSED = [one for one in HOSTILE if one.status == 200]


def name(one: Hostile) -> str:
    return one.name


def test_the_request_that_the_hostile_ones_are_made_of_is_good() -> None:
    case = request(GOOD).case
    assert "weight" in {one.kind for one in case.measurements}
    assert case.refusals == ()
    assert request(GOOD, strict=True).case == case


def test_no_two_hostile_requests_have_the_same_name() -> None:
    assert len({one.name for one in HOSTILE}) == len(HOSTILE)


@pytest.mark.parametrize("one", STOPPED, ids=name)
@pytest.mark.parametrize("strict", [False, True], ids=["lenient", "strict"])
def test_a_request_that_is_wrong_is_stopped_at_its_place(one: Hostile, strict: bool) -> None:
    with pytest.raises(ERRORS[one.status]) as caught:
        request(one.body, strict=strict)
    problems = caught.value.problems
    assert all(problem.what and problem.remedy and problem.code for problem in problems)
    if one.expression:
        assert one.expression in {problem.expression for problem in problems}


@pytest.mark.parametrize("one", REFUSED, ids=name)
def test_a_fact_that_cannot_be_used_is_refused_and_the_rest_is_read(one: Hostile) -> None:
    case = request(one.body).case
    refused = {(refusal.reason, refusal.origin.expression) for refusal in case.refusals}
    assert (one.reason, one.expression) in refused
    assert case.stock == frozenset() or "weight" not in {m.kind for m in case.measurements}
    assert len(case.findings) == 9
    assert {m.kind for m in case.measurements} >= {"temperature", "respiratory-rate"}


@pytest.mark.parametrize("one", REFUSED, ids=name)
def test_a_strict_request_is_stopped_by_what_is_refused(one: Hostile) -> None:
    with pytest.raises(RequestError) as caught:
        request(one.body, strict=True)
    places = {problem.expression for problem in caught.value.problems}
    assert any(place.startswith(one.expression) for place in places)
    if isinstance(caught.value, UnusableRequest):
        assert one.reason in reasons(request(one.body).case)


@pytest.mark.parametrize("one", HOSTILE, ids=name)
def test_no_message_repeats_what_was_sent(one: Hostile) -> None:
    try:
        refusals = request(one.body).case.refusals
    except RequestError as error:
        said = str(error) + " ".join(problem.remedy for problem in error.problems)
    else:
        said = str([refusal.details for refusal in refusals])
    assert not any(
        word in said for word in ("banana", "alien", "infant-", "stone", "brenna", "3.2")
    )
