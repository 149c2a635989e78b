"""Feedback of CDS Hooks: the examples of the specification (community text of 2.0, cds-hooks/docs,
docs/specification/current.md)."""

import asyncio
import json
from typing import Any

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from tests.logs import entry_at

from .conftest import Call
from .hook_calls import PLAN, asking, cards, topics


@pytest.fixture
def ask(call: Call) -> Call:
    return asking(call)


def feedback(card: str, **said: Any) -> bytes:
    one = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2020-12-11T00:00:00Z"}
    return orjson.dumps({"feedback": [one | said]})


def test_feedback_is_recorded_about_the_answer(ask: Call, store: SqliteStore) -> None:
    dealt = cards(ask())
    for number, card in enumerate(dealt):
        answer = ask(feedback(card["uuid"]), f"{PLAN}/feedback")
        assert answer.status_code == 200, answer.text
        entry = entry_at(store, number + 1)
        assert entry is not None
        assert (entry.kind, entry.about, entry.outcome) == ("feedback", 0, "overridden")
        assert json.loads(entry.request)["card"] == card["uuid"]


def test_an_accepted_suggestion_and_reasons_are_recorded(ask: Call, store: SqliteStore) -> None:
    card = topics(ask())["treatment"]
    accepted = [{"id": card["suggestions"][0]["uuid"]}]
    answer = ask(
        feedback(card["uuid"], outcome="accepted", acceptedSuggestions=accepted),
        f"{PLAN}/feedback",
    )
    assert answer.status_code == 200
    reason = {"reason": card["overrideReasons"][0], "userComment": "the clinic of Marrow Vale"}
    assert ask(feedback(card["uuid"], overrideReason=reason), f"{PLAN}/feedback").status_code == 200
    entry = entry_at(store, 2)
    assert entry is not None
    assert b"Marrow Vale" in entry.request


def test_feedback_that_fits_no_card_is_refused_and_records_nothing(
    ask: Call, store: SqliteStore
) -> None:
    card = topics(ask())["now"]
    path = f"{PLAN}/feedback"
    unknown = "f6b95768-b1c8-40dc-8385-bf3504b82ffb"  # of the specification's example
    assert ask(feedback(unknown), path).status_code == 404
    assert ask(feedback("x"), path).status_code == 404
    elsewhere = "/cds-services/medicine-dose-check/feedback"
    assert ask(feedback(card["uuid"]), elsewhere).status_code == 404
    both = (
        json.loads(feedback(card["uuid"]))["feedback"] + json.loads(feedback(unknown))["feedback"]
    )
    assert ask(orjson.dumps({"feedback": both}), path).status_code == 404
    nothing = feedback(card["uuid"], outcome="accepted")
    assert ask(nothing, path).status_code == 400
    wrong = feedback(card["uuid"], outcome="accepted", acceptedSuggestions=[{"id": unknown}])
    assert ask(wrong, path).status_code == 422
    for bad in (b"{}", b'{"feedback":[]}', feedback(card["uuid"], outcome="ignored"),
                feedback(card["uuid"], outcomeTimestamp="yesterday")):  # fmt: skip
        assert ask(bad, path).status_code == 400
    assert asyncio.run(store.size()) == 1
