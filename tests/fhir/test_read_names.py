"""The names that stand on a label: as they were sent, "" where there is more than one way."""

from typing import Any

import orjson
import pytest

from cds_service.fhir.read_names import Names, read_names

BABY = {"resourceType": "Patient", "id": "b"}


def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    entries = [{"fullUrl": f"urn:x:{each.get('id')}", "resource": each} for each in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def names(*resources: dict[str, Any], subject: str = "", encounter: str = "") -> Names:
    return read_names(orjson.dumps(bundle(*resources)), subject, encounter)


@pytest.mark.parametrize(
    ("sent", "read"),
    [
        ([{"text": "Wren Alder"}], "Wren Alder"),
        ([{"given": ["Wren", "Ash"], "family": "Alder"}], "Wren Ash Alder"),
        ([{"family": "Alder"}], "Alder"),
        ([{"use": "nickname", "text": "Wrenny"}, {"text": "Wren"}], "Wren"),
        ([{"text": "Wren"}, {"use": "official", "text": "Wren Alder"}], "Wren Alder"),
        ([{"use": "old", "text": "Before"}, {"use": "maiden", "text": "Before"}], ""),
        ([{"given": "Wren"}], ""),
        ([{"given": [3, None, "Wren"]}], "Wren"),
        ([3, {"text": ""}], ""),
        ({"text": "Wren"}, ""),
        (None, ""),
    ],
)
def test_the_best_of_the_names_is_read(sent: Any, read: str) -> None:
    assert names({**BABY, "name": sent}).infant == read


def test_of_several_patients_only_the_one_that_is_meant_has_its_name_read() -> None:
    mother = {"resourceType": "Patient", "id": "m", "name": [{"text": "Hazel"}]}
    baby = {**BABY, "name": [{"text": "Wren"}]}

    assert names(mother, baby, subject="Patient/b").infant == "Wren"
    assert names(mother, baby, subject="urn:x:b").infant == "Wren"
    assert names(mother, baby).infant == ""
    assert names(mother, baby, subject="Patient/z").infant == ""


def test_parameters_are_read_as_the_bundle_in_them() -> None:
    sent = bundle({**BABY, "name": [{"text": "Wren"}]})
    asked = {"resourceType": "Parameters", "parameter": [{"name": "data", "resource": sent}]}

    assert read_names(orjson.dumps(asked), "", "").infant == "Wren"
    empty = {"resourceType": "Parameters", "parameter": [{"name": "asOf"}]}
    assert read_names(orjson.dumps(empty), "", "") == Names("", "")


@pytest.mark.parametrize(
    ("provider", "read"),
    [
        ({"display": "Tolm Ford"}, "Tolm Ford"),
        ({"reference": "Organization/o"}, "Tolm Ford Health Post"),
        ({"reference": "urn:x:o"}, "Tolm Ford Health Post"),
        ({"reference": "Organization/z"}, ""),
        ({}, ""),
        (None, ""),
        ("Tolm Ford", ""),
    ],
)
def test_the_clinic_is_who_provides_the_visit(provider: Any, read: str) -> None:
    post = {"resourceType": "Organization", "id": "o", "name": "Tolm Ford Health Post"}
    visit = {"resourceType": "Encounter", "id": "v", "serviceProvider": provider}

    assert names(BABY, post, visit).clinic == read


def test_what_is_no_resource_is_passed_over() -> None:
    sent = {"resourceType": "Bundle", "entry": [3, {}, {"resource": "x"}, {"resource": BABY}]}

    assert read_names(orjson.dumps(sent), "", "") == Names("", "")
