"""A request with other answers: only what was changed is exchanged."""

from datetime import UTC, datetime
from typing import Any

import orjson
import pytest

from cds_service.case import Answer
from cds_service.engine.settle import settle
from cds_service.fhir.read import read
from cds_service.web.site.trying.edit import Edit, blank
from cds_service.web.site.trying.fields import field_of
from cds_service.web.site.trying.filled import Filled, filled
from cds_service.web.site.trying.places import found_at, resource_at, without
from tests.examples import STORIES, sent
from tests.web.conftest import protocol
from tests.web.sample import BASE, bundle, finding, measured

NOW = datetime(2026, 3, 2, 7, 45, tzinfo=UTC)
Json = dict[str, Any]


def read_in(body: bytes | Json) -> Filled:
    content = body if isinstance(body, bytes) else orjson.dumps(body)
    return filled(content, protocol(), NOW)


def edited(before: Filled, /, **changes: str) -> bytes:
    named = {name.replace("_", "-"): value for name, value in changes.items()}
    return Edit(before, {**before.values, **named}, before.stock, protocol(), BASE).done()


def resources(body: bytes) -> list[Json]:
    tree = orjson.loads(body)
    data = tree if tree["resourceType"] == "Bundle" else tree["parameter"][-1]["resource"]
    return [entry["resource"] for entry in data["entry"]]


@pytest.mark.parametrize("story", STORIES[::3])
def test_each_answer_of_a_third_of_the_stories_can_be_turned_round_and_back(story: str) -> None:
    before = read_in(sent(story))
    for code in protocol().sign_by_code:
        said = before.values.get(code, "not-assessed")
        for other in {"yes", "no", "not-assessed"} - {said}:
            now = read_in(edited(before, **{code: other}))
            assert now.values.get(code, "not-assessed") == other, code
            others = {**now.values, code: ""}
            assert others == {**before.values, code: ""}, code


@pytest.mark.parametrize("story", STORIES)
def test_each_measurement_of_each_story_can_be_exchanged_and_taken_back(story: str) -> None:
    before = read_in(sent(story))
    for measure in protocol().measures:
        value = str(measure.possible[0].value + 1)
        other = {measure.code: value, f"{measure.code}.unit": measure.unit}
        now = read_in(edited(before, **other))
        assert now.values[measure.code] == value
        none = read_in(edited(before, **{measure.code: "", f"{measure.code}.again": ""}))
        assert measure.code not in none.values
        assert {k: v for k, v in none.values.items() if not k.startswith(measure.code)} == {
            k: v for k, v in before.values.items() if not k.startswith(measure.code)
        }


def test_an_answer_of_the_form_is_what_the_engine_reasons_with() -> None:
    before = read_in(orjson.dumps(bundle()))
    body = edited(before, convulsions="yes")

    facts = settle(read(body, protocol(), now=NOW).case, protocol())
    assert facts.answers["convulsions"] is Answer.YES
    assert len(resources(body)) == len(resources(before.body))


def test_only_the_part_of_a_panel_goes() -> None:
    panel = finding("convulsions", value=False)
    part = {"code": panel.pop("code"), "valueBoolean": panel.pop("valueBoolean")}
    other = {"code": finding("jaundice", value=False)["code"], "valueBoolean": False}
    data = bundle()
    data["entry"] = [each for each in data["entry"] if "f-convulsions" not in each["fullUrl"]] + [
        {"resource": panel | {"code": {"text": "Asked"}, "component": [part, other]}}
    ]

    body = edited(read_in(data), convulsions="not-assessed")
    (left,) = [each for each in resources(body) if "component" in each]
    assert left["component"] == [other]


def test_an_older_answer_of_another_visit_stays() -> None:
    data = bundle()
    older = finding("convulsions", value=True) | {
        "id": "older", "effectiveDateTime": "2026-02-27T09:00:00+02:00",
    }  # fmt: skip
    data["entry"].append({"resource": older})

    body = edited(read_in(data), convulsions="not-assessed")
    assert [each["id"] for each in resources(body) if "convulsions" in str(each.get("code"))] == [
        "older"
    ]


def test_language_and_stock_of_a_bare_bundle_need_parameters_around_it() -> None:
    before = read_in(bundle())
    stock = ("gentamicin-vial-20mg-2ml",)
    body = Edit(before, before.values | {"language": "sw"}, stock, protocol(), BASE).done()

    now = read_in(body)
    assert now.stock == stock
    assert now.values["language"] == "sw"
    assert now.as_of == before.as_of
    assert resources(body) == resources(before.body)


def test_the_birth_can_be_taken_back() -> None:
    before = read_in(bundle())
    body = edited(before, born="", sex="male")

    (patient,) = [each for each in resources(body) if each["resourceType"] == "Patient"]
    assert patient == {"resourceType": "Patient", "id": "orla-fenn", "gender": "male"}


def test_a_value_is_shown_in_the_unit_that_it_was_sent_in() -> None:
    data = bundle()
    data["entry"] = [each for each in data["entry"] if "m-8310-5" not in each["fullUrl"]]
    data["entry"].append({"resource": measured("8310-5", 101.3, "[degF]") | {"id": "f"}})
    before = read_in(data)

    assert before.values["temperature"] == "101.3"
    assert before.values["temperature.unit"] == "[degF]"
    assert edited(before) == before.body


def test_a_blank_request_says_nothing() -> None:
    before = read_in(blank(NOW))

    assert (before.values, before.stock) == ({}, ())
    assert before.as_of == NOW


@pytest.mark.parametrize(
    ("place", "found"),
    [
        ("Bundle.entry[1].resource.id", "b"),
        ("Bundle.entry[7].resource.id", None),
        ("Bundle.type.code", None),
        ("Bundle.resourceType[0]", None),
        ("Bundle", {"entry": [{"resource": {"id": "a"}}, {"resource": {"id": "b"}}]}),
    ],
)
def test_places(place: str, found: object) -> None:
    tree = {"entry": [{"resource": {"id": "a"}}, {"resource": {"id": "b"}}]}

    assert found_at(tree, place) == found
    assert without(tree, [f"{place}.none"]) == tree


def test_the_resource_around_a_place() -> None:
    tree = {"entry": [{"resource": {"id": "a", "code": {"text": "x"}}}]}

    assert resource_at(tree, "Bundle.entry[0].resource.code")["id"] == "a"
    assert resource_at(tree, "Bundle.type") == resource_at(tree, "Bundle.entry[3]") == {}


@pytest.mark.parametrize(
    ("place", "field"),
    [
        ("Bundle.entry[0].resource.birthDate", "born"),
        ("Bundle.entry[1].resource.valueBoolean", "convulsions"),
        ("Bundle.entry[10].resource", "feeding-poorly"),
        ("Bundle.entry[12].resource.valueQuantity.value", "weight"),
        ("Bundle.entry[16].resource", ""),
        ("Bundle.entry[17].resource", ""),
        ("Bundle.type", ""),
    ],
)
def test_the_field_of_a_place(place: str, field: str) -> None:
    tree = bundle()
    tree["entry"].append({"resource": finding("of-no-protocol", value=True)})
    tree["entry"].append({"resource": measured("1-8", 1, "kg")})

    assert field_of(tree, place, protocol()) == field


def test_what_is_empty_afterwards_is_not_there() -> None:
    tree = {"entry": [{"resource": {"id": "a"}}], "link": []}

    assert without(tree, ["Bundle.entry[0].resource"]) == {"link": []}
