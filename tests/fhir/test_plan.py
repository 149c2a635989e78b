"""PlanDefinition, Library and ActivityDefinitions of every edition: complete, and well-formed.

Whether the conditions give the engine's classes is asked of an engine that is not ours:
`python -m tests.fhirpath` (needs Node).
"""

import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.content.load import every_layer, load
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts import edition, every, of_another
from cds_service.fhir.fhirpath_data import name
from cds_service.fhir.fhirpath_rows import variables
from tests.fhir.decisions import BASE, protocol

Json = dict[str, Any]
LAYERS = every_layer("sick-young-infant")
IDS = ["+".join(each) or "base" for each in LAYERS]
EXCEEDS = {"subjectCanonical", "valueCodeableReference", "valueRatioRange"}
"""Elements that R4B has and R4 (4.0.1) has not."""


@cache
def content(layer: tuple[str, str]) -> Protocol:
    return load(edition=layer[0], adaptation=layer[1])


def made(layer: tuple[str, str], kind: str) -> Json:
    (one,) = [each for each in edition(content(layer), BASE) if each["resourceType"] == kind]
    return one


def actions(node: Json) -> Iterator[Json]:
    for action in node.get("action", []):
        yield action
        yield from actions(action)


def keys(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield key
            yield from keys(value)
    elif isinstance(node, list):
        for one in node:
            yield from keys(one)


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_every_artefact_of_an_edition_is_valid_r4_and_a_draft(layer: tuple[str, str]) -> None:
    found = of_another(content(layer), BASE)

    assert len(found) == len(edition(content(layer), BASE))
    for (kind, id_), resource in found.items():
        get_fhir_model_class(kind).model_validate(resource)
        assert re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", id_)  # FHIR R4 datatypes.html#id
        assert re.fullmatch(r"[A-Z][A-Za-z0-9_]{0,254}", resource["name"])  # invariants *-0
        assert (resource["status"], resource["experimental"]) == ("draft", True)
        assert resource["version"] == content(layer).name.partition("|")[2]
        assert not EXCEEDS & set(keys(resource))


def test_other_editions_have_the_same_addresses_and_ids_of_their_own() -> None:
    found = every(protocol(), BASE, (content(layer) for layer in LAYERS))
    plans = {id_: each for (kind, id_), each in found.items() if kind == "PlanDefinition"}

    assert set(plans) == {
        "sick-young-infant", "sick-young-infant-2014.1", "sick-young-infant-2024.1-kestria",
    }  # fmt: skip
    assert len({each["url"] for each in plans.values()}) == 1
    assert {each["version"] for each in plans.values()} == {"2024.1", "2014.1", "2024.1+kestria"}
    over = plans["sick-young-infant-2024.1-kestria"]["relatedArtifact"][0]
    assert over == {
        "type": "derived-from",
        "resource": f"{BASE}/PlanDefinition/sick-young-infant|2024.1",
    }


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_each_row_is_an_action_with_its_condition_and_sources(layer: tuple[str, str]) -> None:
    told = content(layer)
    rows = {a["id"]: a for a in actions(made(layer, "PlanDefinition")) if "id" in a}

    for table in told.tables:
        group = rows[f"table.{table.code}"]
        assert [a["id"] for a in group["action"]] == [f"row.{row.code}" for row in table.rows]
        assert group["selectionBehavior"] == "at-most-one"
        for row in table.rows:
            action = rows[f"row.{row.code}"]
            assert action["code"][0]["coding"][0]["code"] == row.code
            (condition,) = action["condition"]
            assert condition["expression"]["language"] == "text/fhirpath"
            assert {d["label"] for d in action["documentation"]} == {row.cite.evidence}
            sources = [d["display"] for d in action["documentation"] if "display" in d]
            assert sources == list(row.cite.sources)


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_the_conditions_of_the_plan_are_those_of_the_library(layer: tuple[str, str]) -> None:
    library = {each.name: each.expression for each in variables(content(layer))}
    rows = [a for a in actions(made(layer, "PlanDefinition")) if a.get("id", "").startswith("row.")]

    for row in rows:
        variable = f"now_{name(row['id'].removeprefix('row.'))}"
        assert row["condition"][0]["expression"]["expression"] == library[variable]


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_a_variable_uses_only_those_before_it(layer: tuple[str, str]) -> None:
    known = {"data", "asOf"}
    for variable in variables(content(layer)):
        text = re.sub(r"'[^']*'", "''", variable.expression)
        assert set(re.findall(r"%(\w+)", text)) <= known, variable.name
        assert text.count("(") == text.count(")")
        assert variable.name not in known
        known.add(variable.name)
    plan = made(layer, "PlanDefinition")
    for action in actions(plan):
        for condition in action.get("condition", []):
            text = re.sub(r"'[^']*'", "''", condition["expression"]["expression"])
            assert set(re.findall(r"%(\w+)", text)) <= known


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_whatever_is_referred_to_is_published_in_that_version(layer: tuple[str, str]) -> None:
    found = edition(content(layer), BASE)
    published = {f"{each['url']}|{each['version']}" for each in found}
    plan = made(layer, "PlanDefinition")
    named = [a["definitionCanonical"] for a in actions(plan) if "definitionCanonical" in a]

    assert named
    assert {*named, *plan["library"]} <= published
    for activity in found:
        assert set(activity.get("library", [])) <= published


@pytest.mark.parametrize("layer", LAYERS, ids=IDS)
def test_every_code_of_the_plan_is_in_the_code_system_of_that_version(
    layer: tuple[str, str],
) -> None:
    systems = {
        (each["url"], each["version"]): {concept["code"] for concept in each["concept"]}
        for each in edition(content(layer), BASE)
        if each["resourceType"] == "CodeSystem"
    }
    coded = [
        a["code"][0]["coding"][0] for a in actions(made(layer, "PlanDefinition")) if "code" in a
    ]

    assert coded
    for each in coded:
        assert each["code"] in systems[each["system"], each["version"]]


def test_a_severe_class_is_referred_first_and_a_choice_is_exactly_one() -> None:
    plan = made(("", ""), "PlanDefinition")
    rows = {a["id"]: a for a in actions(plan) if "id" in a}

    # Clinical content, section 3: critical illness: referral stays the only option.
    assert rows["row.critical-illness"]["action"][0]["title"] == "Refer: the only option"
    choice = rows["row.clinical-severe-infection"]["action"][0]
    assert choice["selectionBehavior"] == "exactly-one"
    assert [each["title"] for each in choice["action"]] == ["Refer", "Treat here"]


def test_doses_are_told_in_words_and_never_as_a_quantity() -> None:
    found = [e for e in edition(protocol(), BASE) if e["resourceType"] == "ActivityDefinition"]
    by_id = {each["id"]: each for each in found}

    amoxicillin = by_id["sick-young-infant-amoxicillin"]["usage"]
    assert "4.0 kg to under 6.0 kg: 10 mL of amoxicillin oral suspension" in amoxicillin
    assert "7.5 mg/kg" in by_id["sick-young-infant-gentamicin"]["usage"]
    assert not [each["id"] for each in found if "doseAndRate" in set(keys(each))]
    medicines = [e for e in found if "productCodeableConcept" in e]
    assert len(medicines) == len(protocol().medicines) + len(protocol().fluids.every)


def test_the_library_says_what_it_reads_and_what_it_does_not() -> None:
    library = made(("", ""), "Library")

    assert [each["name"] for each in library["parameter"] if each["use"] == "in"] == [
        "data",
        "asOf",
    ]
    assert "The service reads more" in library["description"]
