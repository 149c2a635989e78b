"""A recorded answer on the page: all of it, with the doses of the FHIR, and the JSON unchanged."""

import json
import re
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import orjson
import pytest

from cds_service.content.load import load
from cds_service.fhir.gist import gist
from cds_service.web.site.records.argument import Action, argument
from cds_service.web.site.records.doses import points, spreads
from cds_service.web.site.records.raw import set_out
from cds_service.web.site.records.told import cards, note
from tests.examples import FOLDER, STORIES, WITH_NOTE

PROTOCOL = load()
WEIGHT = "29463-7"


def answer(story: str) -> dict[str, Any]:
    found: dict[str, Any] = orjson.loads((FOLDER / story / "response.json").read_bytes())
    return found


def resources(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    every = (entry["resource"] for entry in bundle["entry"])
    return [each for each in every if each["resourceType"] == kind]


def titles(actions: tuple[Action, ...]) -> list[str]:
    return [title for each in actions for title in (each.title, *titles(each.parts))]


def titles_of(actions: list[dict[str, Any]]) -> list[str]:
    found = []
    for each in actions:
        found += [each.get("title", ""), *titles_of(each.get("action", []))]
    return found


@pytest.mark.parametrize("story", STORIES)
def test_nothing_of_an_answer_is_left_out(story: str) -> None:
    bundle = answer(story)
    told = argument(bundle, PROTOCOL)

    names = [each["code"]["text"] for each in resources(bundle, "Condition")]
    assert sorted(step.name for step in told.steps) == sorted(names)
    (guidance,) = resources(bundle, "GuidanceResponse")
    notes = len(told.undecided) + len(told.ask) + len(told.notes) + bool(told.unrecorded)
    assert notes == len(guidance.get("note", ()))
    issues = [each["detail"] for each in resources(bundle, "DetectedIssue")]
    assert [each.words for each in told.cautions] == issues
    (group,) = resources(bundle, "RequestGroup")
    assert titles(told.plan) == titles_of(group["action"])
    shown = {dose for step in told.steps for dose in step.doses} | set(told.others)
    lines = {line for dose in shown for line in dose.dose}
    for request in resources(bundle, "MedicationRequest"):
        for dosage in request["dosageInstruction"]:
            assert dosage["text"] in lines


@pytest.mark.parametrize("story", STORIES)
def test_every_fact_has_its_answer_and_every_mark_its_source(story: str) -> None:
    told = argument(answer(story), PROTOCOL)
    for step in told.steps:
        assert step.rule
        assert step.certain.startswith("holds")
        for cited in (step.cited, *(fact.cited for fact in step.facts)):
            marks = re.findall(r"[A-Z][A-Z0-9]+", cited.words.partition(";")[0])
            assert [each.key for each in cited.publications] == marks
            assert all(each.title and each.imprint for each in cited.publications)
        assert {fact.answer for fact in step.facts} <= {"yes", "no"}


@pytest.mark.parametrize("story", STORIES)
def test_doses_per_kilogram_are_those_of_the_weight_that_was_sent(story: str) -> None:
    """The amount from `doseAndRate` over the weight of the request, not from any words."""
    bundle = answer(story)
    orders = gist(orjson.dumps(bundle)).orders
    found = points(orjson.dumps(bundle))
    doses = {(each.name, each.dose.contained) for each in orders if each.dose and each.dose.unit}
    if not found:
        return
    weight = max(weights(orjson.loads((FOLDER / story / "request.json").read_bytes())))[1]
    worked_out = {
        (name, (amount / weight).quantize(Decimal("0.1"), ROUND_HALF_UP)) for name, amount in doses
    }
    assert {(each.medicine, each.per_kg.quantize(Decimal("0.1"))) for each in found} <= worked_out
    assert {each.medicine for each in found} == {name for name, _ in doses}


def weights(part: Any) -> list[tuple[str, Decimal]]:
    """Each weight with its time."""
    if isinstance(part, list):
        return [found for each in part for found in weights(each)]
    if not isinstance(part, dict):
        return []
    if "valueQuantity" in part and WEIGHT in str(part.get("code")):
        quantity = part["valueQuantity"]
        value = Decimal(str(quantity["value"]))
        kilograms = value / 1000 if quantity.get("code", quantity["unit"]) == "g" else value
        return [(part.get("effectiveDateTime", ""), kilograms)]
    return [found for each in part.values() for found in weights(each)]


def test_every_dose_stands_in_one_column_and_targets_within_the_chart() -> None:
    found = [point for story in STORIES for point in points(orjson.dumps(answer(story)))]
    for spread in spreads(found):
        doses = [each.per_kg for each in found if each.medicine == spread.medicine]
        assert sum(each.count for each in spread.bins) == len(doses) == spread.count
        for bin_ in spread.bins:
            assert bin_.count == sum(bin_.low <= dose < bin_.high for dose in doses)
        assert len(spread.bins) <= 40
        for value in (*doses, *(target for target, _ in spread.targets)):
            assert 0 <= spread.place(value) < 100
    targets = {each.medicine: [aim for aim, _ in each.targets] for each in spreads(found)}
    # The content's own: medicines/gentamicin.yaml, amoxicillin.yaml; cotrimoxazole is fixed.
    # Nystatin acts in the mouth: nothing is told of it per kilogram.
    assert targets["Gentamicin"] == [Decimal(4), Decimal(5), Decimal("7.5")]
    assert targets["Amoxicillin"] == [Decimal(50)]
    assert targets["Cotrimoxazole"] == []
    assert "Nystatin" not in targets


@pytest.mark.parametrize("name", ["request.json", "response.json"])
@pytest.mark.parametrize("story", STORIES[::6])
def test_json_is_set_out_without_changing_a_token(story: str, name: str) -> None:
    exact = (FOLDER / story / name).read_bytes()
    shown = set_out(exact)

    # Every number as it was written, every key in its place.
    kept = {"parse_float": str, "parse_int": str, "object_pairs_hook": list}
    assert json.loads(shown, **kept) == json.loads(exact, **kept)
    again = json.dumps(json.loads(exact, parse_float=_Exact), indent=2, ensure_ascii=False)
    assert len(shown.splitlines()) == len(again.splitlines())


class _Exact(float):
    """A number that json writes somehow; only lines are counted."""


@pytest.mark.parametrize("exact", [b"", b"nonsense", b'{"a": "\\"{[,:"}', b"\xff"])
def test_what_is_no_json_is_shown_all_the_same(exact: bytes) -> None:
    assert set_out(exact).replace("\n", "").replace(" ", "") == exact.decode(
        errors="replace"
    ).replace(" ", "")


@pytest.mark.parametrize("story", WITH_NOTE)
def test_a_referral_note_is_told_section_by_section(story: str) -> None:
    bundle = orjson.loads((FOLDER / story / "referral-note.json").read_bytes())
    (composition,) = resources(bundle, "Composition")
    told = note(bundle)

    assert [each.title for each in told] == [each["title"] for each in composition["section"]]
    lines = [line for each in told for part in each.parts for line in part.lines]
    assert len(lines) >= len(told)
    assert not [line for line in lines if "<" in line or "&lt;" in line]


def test_cards_are_told_with_what_they_suggest() -> None:
    answered = orjson.loads((FOLDER / "hooks-plan" / "cards.json").read_bytes())
    told = cards(answered)

    assert [each.title for each in told] == [card["summary"] for card in answered["cards"]]
    assert told[0].remark == "to be seen at once"
    assert [part.heading for part in told[0].parts][-1] == "Suggested"
    for card, each in zip(answered["cards"], told, strict=True):
        lines = [line for part in each.parts for line in (part.heading, *part.lines) if line]
        marks = [re.sub(r"^- |\*\*", "", line) for line in card["detail"].split("\n")]
        assert lines[: len(list(filter(None, marks)))] == list(filter(None, marks))
