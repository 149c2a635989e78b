"""The published artefacts: valid R4, drafts, complete, and the same as the files in profiles/."""

import json
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.content.catalogue import Translation
from cds_service.content.load import every_layer, load
from cds_service.engine import decide
from cds_service.fhir.artefacts import artefacts, files
from cds_service.fhir.artefacts_text import translated_text
from tests.changing import replace
from tests.engine.cases import every_case
from tests.fhir.decisions import BASE, protocol

MADE = artefacts(protocol(), BASE)
PROFILES = Path(__file__).parents[2] / "profiles"


def codes(name: str) -> list[str]:
    """The codes of one of our code systems."""
    return [concept["code"] for concept in MADE["CodeSystem", name]["concept"]]


@pytest.mark.parametrize("made", MADE.values(), ids=["/".join(key) for key in MADE])
def test_each_is_a_valid_experimental_draft_with_its_address(made: dict[str, Any]) -> None:
    get_fhir_model_class(made["resourceType"]).model_validate(made)
    assert (made["status"], made["experimental"]) == ("draft", True)
    assert made["url"] == f"{BASE}/{made['resourceType']}/{made['id']}"
    assert made["version"] == protocol().version
    assert made["name"].isidentifier()  # an R4 invariant: a name for machines


@pytest.mark.parametrize("made", MADE.values(), ids=["/".join(key) for key in MADE])
def test_no_element_is_used_that_r4_does_not_have(made: dict[str, Any]) -> None:
    # R4B has five elements more than R4 (4.0.1) in these types; compared by machine before.
    text = json.dumps(made)
    for element in ("subjectCanonical", "valueCodeableReference", "valueRatioRange"):
        assert f'"{element}"' not in text


def test_a_class_has_the_translations_that_the_catalogues_have() -> None:
    concepts = {each["code"]: each for each in MADE["CodeSystem", "classification"]["concept"]}
    translated = protocol().words_by_language
    for code, concept in concepts.items():
        told = {each["language"]: each["value"] for each in concept.get("designation", [])}
        key = f"class.{code}"
        assert told == {tag: texts[key] for tag, texts in translated.items() if key in texts}
    assert any("designation" in concept for concept in concepts.values())


def test_a_question_has_its_translations_beside_its_text() -> None:
    key = "sign.convulsions"
    there = replace(protocol(), caregiver=(*protocol().caregiver, key))
    english = protocol().text_by_key[key]
    (first, *rest) = protocol().catalogues
    told = Translation(key=key, english=english, text="Degedege", fuzzy=False, line=1)
    with_it = replace(there, catalogues=(replace(first, translations=(told,)), *rest))
    made = translated_text(with_it, key)

    assert made["text"] == english
    (extension,) = made["_text"]["extension"]
    assert extension["url"] == "http://hl7.org/fhir/StructureDefinition/translation"
    assert [each.get("valueCode", each.get("valueString")) for each in extension["extension"]] == [
        first.language,
        "Degedege",
    ]
    assert translated_text(protocol(), key) == {"text": english}


def test_ids_are_unique_across_types_since_they_are_file_names() -> None:
    ids = [id_ for _, id_ in MADE]
    assert sorted(set(ids)) == sorted(ids)


@pytest.mark.parametrize("name", ["finding", "classification", "formulation", "caution", "care"])
def test_a_code_system_counts_its_codes_and_has_each_once(name: str) -> None:
    made = MADE["CodeSystem", name]
    assert made["content"] == "complete"
    assert made["count"] == len(codes(name)) == len(set(codes(name)))
    assert all(concept["display"].strip() for concept in made["concept"])


def test_every_sign_of_the_protocol_is_a_finding_from_the_first_release() -> None:
    # All codes of section 1 of the clinical content, whether a table uses them yet or not.
    assert codes("finding") == [sign.code for sign in protocol().signs]
    assert {"convulsions", "jaundice", "mother-hiv-positive", "course-worse"} <= set(
        codes("finding")
    )


def test_a_finding_says_whether_it_is_required() -> None:
    made = {concept["code"]: concept for concept in MADE["CodeSystem", "finding"]["concept"]}

    def required(code: str) -> list[Any]:
        return [p["valueBoolean"] for p in made[code]["property"] if p["code"] == "required"]

    assert required("convulsions") == [True]  # R in section 1 (A24, P20 seen)
    assert required("apnoea") == [False]
    when = [
        p["valueCode"] for p in made["severe-pustules"]["property"] if p["code"] == "required-when"
    ]
    assert when == ["skin-pustules"]  # asked when skin-pustules is YES (PB13 seen)


def test_every_class_and_formulation_is_published() -> None:
    assert codes("classification") == list(protocol().row_by_code)
    assert codes("formulation") == [form.code for _, form in protocol().formulations]


def test_every_caution_and_care_item_that_a_case_brings_up_is_published() -> None:
    decisions = [decide(told.case, protocol()) for told in every_case()]
    cautions = {caution.code for made in decisions for caution in made.plan.cautions}
    care = {
        item.message.key.removeprefix("care.")
        for made in decisions
        for item in (*made.plan.emergency, *made.plan.care)
    }
    assert cautions <= set(codes("caution"))
    assert care <= set(codes("care"))


def test_an_emergency_is_told_when_its_sign_is_there_unless_what_settles_it_is_known() -> None:
    # FHIR R4, PlanDefinition.action.condition: all of them must hold (from memory).
    first = MADE["PlanDefinition", protocol().id]["action"][0]["action"]
    items = protocol().emergency
    assert any(item.unless is not None for item in items)
    for made, item in zip(first, items, strict=True):
        paths = [each["expression"]["expression"] for each in made.get("condition", ())]
        assert len(paths) == (item.when is not None) + (item.unless is not None)
        if item.unless is not None:
            assert paths[-1].startswith("iif(")
            assert paths[-1].endswith(
                ", false, true)"
            )  # empty, which is unknown, rules out nothing


@pytest.mark.parametrize("name", ["finding", "classification", "formulation"])
def test_a_value_set_takes_in_its_whole_code_system(name: str) -> None:
    made = MADE["ValueSet", f"{name}-codes"]
    (included,) = made["compose"]["include"]
    assert included["system"] == MADE["CodeSystem", name]["url"]
    assert MADE["CodeSystem", name]["valueSet"] == made["url"]


def test_the_operation_is_apply_on_one_plan_definition() -> None:
    made = MADE["OperationDefinition", "apply-infant-plan"]
    assert (made["code"], made["resource"], made["instance"]) == ("apply", ["PlanDefinition"], True)
    parameters = {each["name"]: each for each in made["parameter"]}
    assert list(parameters) == [
        "subject",
        "encounter",
        "data",
        "userLanguage",
        "availableMedication",
        "asOf",
        "return",
    ]
    assert (parameters["data"]["type"], parameters["asOf"]["type"]) == ("Bundle", "dateTime")
    assert parameters["availableMedication"]["max"] == "*"
    assert parameters["return"]["use"] == "out"


def test_the_subject_may_be_left_out_as_the_reader_takes_it() -> None:
    parameters = MADE["OperationDefinition", "apply-infant-plan"]["parameter"]
    subject = next(each for each in parameters if each["name"] == "subject")

    assert subject["min"] == 0
    assert "left out when the data has exactly one Patient" in subject["documentation"]


def test_the_files_in_profiles_are_what_the_content_says() -> None:
    layers = every_layer(protocol().id)
    others = [load(edition=edition, adaptation=adaptation) for edition, adaptation in layers]
    for name, body in files(protocol(), BASE, others).items():
        assert (PROFILES / name).read_bytes() == body, (
            f"{name} is out of date: cds-service profiles"
        )


def test_making_them_twice_gives_the_same_bytes() -> None:
    assert files(protocol(), BASE) == files(protocol(), BASE)
