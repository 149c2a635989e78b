"""`Prefer: return=...` (RFC 7240, section 4.2; FHIR R4 http.html#ops; both from memory)."""

import asyncio
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.sqlite import SqliteStore
from tests.logs import entry_at

from .batches import APPLY, PLAN, asks, batch, entries, statuses
from .conftest import ACCEPTED, JSON, Call, said
from .sample import PATH, body

NOTE = PATH.replace("$apply", "$referral-note")
KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'


def send(call: Call, prefer: str, path: str = PATH, content: bytes | None = None) -> Any:
    headers = JSON | {"prefer": prefer}
    return call("POST", path, content=content or body(), headers=headers)


@pytest.mark.parametrize("path", [PATH, NOTE])
def test_minimal_shows_nothing_and_records_all_the_same(
    call: Call, store: SqliteStore, path: str
) -> None:
    whole, answer = send(call, "", path), send(call, "return=minimal", path)

    assert (answer.status_code, answer.content) == (204, b"")
    assert answer.headers["preference-applied"] == "return=minimal"
    assert "content-length" not in answer.headers  # RFC 9110, 8.6
    for name in ("cds-decision-id", "content-language"):
        assert answer.headers[name] == whole.headers[name]
    assert answer.headers["cds-log-checkpoint"]
    assert entry_at(store, int(answer.headers["cds-log-index"])).response == whole.content


def test_an_outcome_says_where_it_is_and_how_complete(call: Call) -> None:
    answer = send(call, "return=OperationOutcome")

    assert answer.headers["preference-applied"] == "return=OperationOutcome"
    outcome = answer.json()
    get_fhir_model_class("OperationOutcome").model_validate(outcome)
    (issue,) = outcome["issue"]
    status = send(call, "").json()["entry"][0]["resource"]["status"]
    assert (issue["severity"], issue["code"]) == ("information", "informational")
    assert issue["details"]["text"] == f"Recorded as entry 0 of the log: {status}."
    assert "AuditEvent/log-0" in issue["diagnostics"]
    assert "Medication" not in answer.text


def test_a_representation_is_what_there_is_without_a_preference(call: Call) -> None:
    whole, answer = send(call, ""), send(call, "return=representation")

    assert answer.content == whole.content
    assert answer.headers["preference-applied"] == "return=representation"
    assert "preference-applied" not in whole.headers


@pytest.mark.parametrize(
    "prefer",
    [
        "return=everything",
        "return",
        "return=",
        'return=""',
        "respond-async, wait=100",
        'foo="bar, return=minimal"',
        "return=everything, return=minimal",  # the first of several counts
        'return="mini',
        "=minimal",
        ",,;",
    ],
)
def test_a_preference_that_is_not_known_is_passed_over(call: Call, prefer: str) -> None:
    answer = send(call, prefer)

    assert answer.content == send(call, "").content
    assert "preference-applied" not in answer.headers


@pytest.mark.parametrize(
    "prefer",
    [
        "return=minimal",
        "RETURN = Minimal",
        'return="minimal"',
        "wait=10,, return=minimal; foo=bar",
        'x="\\", return=all", return=minimal',
        "return=minimal, return=representation",
    ],
)
def test_a_preference_is_known_in_every_spelling(call: Call, prefer: str) -> None:
    assert send(call, prefer).status_code == 204


def test_both_preferences_are_done_and_said(call: Call, store: SqliteStore) -> None:
    answer = send(call, "return=minimal, handling=strict")

    assert answer.headers["preference-applied"] == "handling=strict, return=minimal"
    assert entry_at(store, 0).strict
    odd = send(call, "return=minimal, handling=strict", content=body(colour={"valueCode": "red"}))
    assert odd.status_code == 422


@pytest.mark.parametrize("prefer", ["return=minimal", "return=OperationOutcome"])
def test_a_refusal_is_told_whatever_is_preferred(call: Call, prefer: str) -> None:
    answer = send(call, prefer, content=b"{")

    assert answer.status_code == 400
    assert answer.json()["issue"][0]["severity"] == "error"
    assert "preference-applied" not in answer.headers


def test_a_retry_may_ask_for_what_was_not_shown(call: Call, store: SqliteStore) -> None:
    headers = JSON | {"idempotency-key": KEY}
    first = call("POST", PATH, content=body(), headers=headers | {"prefer": "return=minimal"})
    again = call("POST", PATH, content=body(), headers=headers)

    assert first.status_code == 204
    assert again.content == entry_at(store, 0).response
    assert again.headers["idempotency-replayed"] == "true"
    assert asyncio.run(store.size()) == 1


def test_feedback_is_shown_as_it_is_preferred(call: Call, decision: str) -> None:
    path, content = f"/fhir/GuidanceResponse/{decision}/$feedback", said(**ACCEPTED)
    minimal = send(call, "return=minimal, handling=strict", path, content)
    outcome = send(call, "return=OperationOutcome", path, content)

    assert (minimal.status_code, minimal.content) == (204, b"")
    assert minimal.headers["preference-applied"] == "return=minimal"
    assert minimal.headers["content-location"] == "/fhir/AuditEvent/log-1"
    text = outcome.json()["issue"][0]["details"]["text"]
    assert text == "Recorded as entry 2 of the log: accepted."
    assert send(call, "", path, content).json()["resourceType"] == "Parameters"


def test_a_batch_does_it_for_each_entry(call: Call, store: SqliteStore) -> None:
    sent = batch(PLAN, asks("POST", APPLY, {"resourceType": "Basic"}), asks("GET", "metadata"))
    minimal = send(call, "return=minimal", "/fhir", sent)
    outcome = send(call, "return=OperationOutcome", "/fhir", sent)

    assert statuses(minimal) == ["204", "400", "200"]
    assert minimal.headers["preference-applied"] == "return=minimal"
    plan, wrong, read = entries(minimal)
    assert plan == {"response": {"status": "204", "location": "AuditEvent/log-0"}}
    assert wrong["response"]["outcome"]["issue"]
    assert read["resource"]["resourceType"] == "CapabilityStatement"  # a read has nothing to leave
    assert statuses(outcome) == ["200", "400", "200"]
    plan = entries(outcome)[0]
    assert "resource" not in plan
    told = plan["response"]["outcome"]["issue"][0]["details"]["text"]
    assert told.startswith("Recorded as entry 1 of the log")
    assert asyncio.run(store.size()) == 2
    assert entries(send(call, "", "/fhir", batch(PLAN)))[0]["resource"]
