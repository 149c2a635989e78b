"""`Prefer: handling=strict` (FHIR R4, http.html)."""

import pytest

from cds_service.errors import MalformedRequest, UnusableRequest
from tests.fhir.sending import (
    Json,
    asked,
    bundle,
    concept,
    encounter,
    finding,
    observation,
    patient,
    request,
    weight,
)


def test_strict_takes_a_request_that_is_all_understood() -> None:
    assert request(asked(weight()), strict=True).case == request(asked(weight())).case


def test_strict_refuses_what_is_no_element_of_fhir() -> None:
    body = asked(weight(valueQuantitty={"value": 3}), brithDate="2026-05-01")
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    assert {problem.expression for problem in caught.value.problems} == {
        "Parameters.parameter[1].resource.entry[0].resource.brithDate",
        "Parameters.parameter[1].resource.entry[13].resource.valueQuantitty",
    }
    assert {problem.code for problem in caught.value.problems} == {"structure"}


def test_strict_refuses_unknown_elements_around_the_resources() -> None:
    body = bundle(patient(), colour="blue")
    body["entry"][0]["weight"] = 3
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    places = {problem.expression for problem in caught.value.problems}
    assert places == {"Bundle.colour", "Bundle.entry[0].weight"}


def test_strict_repeats_no_key_that_is_no_name_of_an_element() -> None:
    body = bundle(patient(name=[{"family": "Fenn", "Orla Fenn": 1, "orla_7": 2}]))
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    places = {problem.expression for problem in caught.value.problems}
    assert places == {"Bundle.entry[0].resource.name[0]"}


def test_strict_refuses_an_unknown_resource_type_and_empty_elements() -> None:
    for extra in ({"resourceType": "Unheard", "id": "x"}, weight(note=[]), weight(note=None)):
        with pytest.raises(MalformedRequest):
            request(bundle(patient(), extra), strict=True)


@pytest.mark.parametrize("kind", [5, "Unheard", ["Patient"], {"a": 1}])
def test_strict_refuses_a_contained_resource_of_no_type(kind: object) -> None:
    body = bundle(patient(), weight(contained=[{"resourceType": kind, "id": "x"}]))
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    assert caught.value.problems[0].expression == "Bundle.entry[1].resource"


def test_strict_survives_the_deepest_nesting() -> None:
    extension: Json = {"url": "http://upper-brenna.example/e", "valueCode": "x"}
    for _ in range(110):
        extension = {"url": "http://upper-brenna.example/e", "extension": [extension]}
    body = bundle(patient(extension=[extension]))
    assert request(body).case.refusals == ()
    assert request(body, strict=True).case == request(body).case


def test_strict_says_which_required_element_is_missing() -> None:
    contact = [{"period": {"start": "x"}}]
    body = bundle(patient(contact=contact), encounter(**{"class": ...}))
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    places = [problem.expression for problem in caught.value.problems]
    assert places[0].startswith("Bundle.entry[0].resource.contact[0]")
    assert "Bundle.entry[1].resource.class" in " ".join(places)


def test_strict_names_everything_that_is_not_used() -> None:
    body = asked(weight(unit="stone"), finding("unheard-of"))
    with pytest.raises(UnusableRequest) as caught:
        request(body, strict=True)
    problems = caught.value.problems
    assert [problem.code for problem in problems] == ["code-invalid", "code-invalid"]
    assert "unheard-of" in problems[0].what
    assert "kg, g, [lb_av]" in problems[1].what
    assert all("handling=lenient" in problem.remedy for problem in problems)


def test_strict_does_not_repeat_a_name_that_is_no_element() -> None:
    body = bundle(patient(**{"Amina's weight": 3}))
    with pytest.raises(MalformedRequest) as caught:
        request(body, strict=True)
    assert caught.value.problems[0].expression == "Bundle.entry[0].resource"
    assert "Amina" not in str(caught.value)


def test_strict_bears_observations_that_are_not_asked_for_and_no_other_refusal() -> None:
    other = observation("head", concept("http://loinc.org", "9843-4"))  # from memory
    assert request(asked(weight(), other), strict=True).case.refusals
    with pytest.raises(UnusableRequest) as caught:
        request(asked(weight(unit="stone"), other), strict=True)
    assert len(caught.value.problems) == 1
