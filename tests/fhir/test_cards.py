"""Cards of every case that a clinician wrote: the limits of the specification, and FHIR R4."""

import json
import re
from decimal import Decimal
from typing import Any
from uuid import UUID

import orjson
import pytest
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.engine.order_check import check_orders
from cds_service.fhir.cards import Deck, answers_of, card_id, markdown
from cds_service.fhir.hook_data import NEEDED, TEMPLATES
from cds_service.fhir.order_cards import order_cards
from cds_service.fhir.plan_cards import plan_cards
from cds_service.fhir.write import write
from cds_service.fhir.write_json import exactly
from tests.engine.cases import Told

from .judge import check_resource, check_values
from .test_drafts import BASE, CASES, drafted, protocol, requests, scaled

Json = dict[str, Any]
_CARD = {"uuid", "summary", "detail", "indicator", "source", "overrideReasons"}


def dealt(decision: Decision, language: str = "en", not_sent: tuple[str, ...] = ()) -> list[Json]:
    deck = Deck(decision, base=BASE, language=language, answer=decision.id)
    plan_cards(deck, not_sent, inside=True)
    made: list[Json] = json.loads(orjson.dumps(exactly(deck.cards)), parse_float=Decimal)
    return made


def check_cards(cards: list[Json]) -> None:
    """What the specification says of cards, suggestions and actions (Card Attributes)."""
    names = [card["uuid"] for card in cards]
    names += [each["uuid"] for card in cards for each in card.get("suggestions", ())]
    assert len(set(names)) == len(names)
    for name in names:
        UUID(name)
    for card in cards:
        assert set(card) - {"suggestions", "selectionBehavior"} == _CARD
        assert 0 < len(card["summary"]) < 140
        assert "\n" not in card["summary"]
        assert card["indicator"] in ("info", "warning", "critical")
        assert {"label", "url", "topic"} == set(card["source"])
        assert all(each["display"] for each in card["overrideReasons"])
        assert "The national protocol prevails." in card["detail"]
        assert ("suggestions" in card) == ("selectionBehavior" in card)
        for suggestion in card.get("suggestions", ()):
            assert suggestion["label"]
            assert suggestion["actions"]
            for action in suggestion["actions"]:
                check_action(action)
        recommended = [each for each in card.get("suggestions", ()) if each.get("isRecommended")]
        assert card.get("selectionBehavior") != "at-most-one" or len(recommended) <= 1


def check_action(action: Json) -> None:
    assert action["type"] in ("create", "update", "delete")
    assert action["description"]
    if action["type"] == "delete":
        assert re.fullmatch(r"[A-Za-z]+/[A-Za-z0-9.\-]+", action["resourceId"])
        return
    resource = action["resource"]
    text = orjson.dumps(exactly(resource))
    get_fhir_model_class(resource["resourceType"]).model_validate_json(text)
    check_values(json.loads(text))
    if action["type"] == "create":
        assert resource["intent" if "intent" in resource else "status"] in ("proposal", "draft")
        check_resource(json.loads(text))
        assert b"urn:uuid:" not in text  # nothing that the client does not have


@pytest.mark.parametrize("told", CASES, ids=lambda told: told.name)
def test_the_cards_of_every_case_keep_the_limits(told: Told) -> None:
    decision = decide(told.case, protocol())
    cards = dealt(decision)
    assert cards
    check_cards(cards)
    assert dealt(decision) == cards


@settings(deadline=None)
@given(
    told=st.sampled_from(CASES),
    language=st.sampled_from(protocol().languages),
    not_sent=st.lists(st.sampled_from(sorted({*TEMPLATES} - {*NEEDED})), unique=True).map(tuple),
)
def test_so_they_do_in_every_language_and_with_data_missing(
    told: Told, language: str, not_sent: tuple[str, ...]
) -> None:
    cards = dealt(decide(told.case, protocol()), language, not_sent)
    check_cards(cards)
    if not_sent:
        (missing,) = [c for c in cards if c["source"]["topic"]["code"] == "missing"]
        assert missing["indicator"] == "warning"


@settings(deadline=None)
@given(told=st.sampled_from(CASES), factor=st.sampled_from(["1", "1.3", "10", "0.5"]))
def test_so_do_the_cards_of_drafted_orders(told: Told, factor: str) -> None:
    decision = decide(told.case, protocol())
    resources = [
        scaled(each, factor)
        | {"id": f"draft-{number}", "subject": {"reference": "Patient/orla-fenn"}}
        for number, each in enumerate(requests(decision).values())
    ]
    drafts = drafted(decision, resources)
    texts = {f"MedicationRequest/{each['id']}": orjson.dumps(exactly(each)) for each in resources}
    deck = Deck(decision, base=BASE, language="en", answer=decision.id)
    order_cards(deck, check_orders(decision, drafts), texts, ())
    check_cards(json.loads(orjson.dumps(exactly(deck.cards)), parse_float=Decimal))


@pytest.mark.parametrize("told", CASES, ids=lambda told: told.name)
def test_no_medicine_is_due_is_never_said_while_one_is_due_or_runs(told: Told) -> None:
    decision = decide(told.case, protocol())
    plan = decision.plan
    said = any("No medicine is due" in card["summary"] for card in dealt(decision))
    if said:
        assert not plan.orders
        assert not plan.courses
        assert plan.status != "data-required"
        grave = [each.code for each in plan.cautions if each.severity == "high"]
        assert not any(code.startswith(("no-dose", "weigh-again")) for code in grave)


@pytest.mark.parametrize("told", CASES, ids=lambda told: told.name)
def test_every_dose_caution_and_question_of_the_answer_stands_on_a_card(told: Told) -> None:
    decision = decide(told.case, protocol())
    text = "\n".join(card["detail"] for card in dealt(decision))
    answer = json.loads(write(decision, base=BASE, language="en"))
    for entry in answer["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "DetectedIssue":
            assert markdown(resource["code"]["text"]) in text
        if resource["resourceType"] == "MedicationRequest" and resource["contained"]:
            for each in resource["dosageInstruction"]:
                if "coding" in resource["contained"][0]["code"]:
                    assert markdown(each["text"])[:40] in text
        if resource["resourceType"] == "GuidanceResponse":
            assert len(resource.get("dataRequirement", ())) == text.count("- Find out:")


def test_an_emergency_and_an_urgent_referral_are_critical() -> None:
    for told in CASES:
        decision = decide(told.case, protocol())
        first = dealt(decision)[0]
        grave = bool(decision.plan.emergency) or decision.plan.referral is not None
        assert (first["indicator"] == "critical") == grave, told.name


@settings(deadline=None)
@given(answer=st.uuids(version=5), number=st.integers(1, 255))
def test_a_card_finds_its_answer_again(answer: UUID, number: int) -> None:
    card = card_id(str(answer), number)
    assert UUID(card).version == 8
    assert str(answer) in list(answers_of(card))
    assert list(answers_of(str(answer))) == []


@settings(deadline=None)
@given(st.text(max_size=80))
def test_markdown_of_any_text_has_no_link_no_markup_and_one_line(text: str) -> None:
    told = markdown(text)
    assert "\n" not in told
    bare = re.sub(r"\\.", "", told)
    assert not re.search(r"[`*_\[\]<>#|~&@]|https?:|www\.", bare, re.IGNORECASE)
