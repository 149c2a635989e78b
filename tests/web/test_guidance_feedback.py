"""$feedback on a GuidanceResponse: a new entry of the log that changes nothing before it."""

import asyncio
from typing import Any

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from tests.logs import entry_at

from .auditing import ORLA, valid
from .conftest import ACCEPTED, JSON, OVERRIDDEN, Call, issue, said
from .guidance import GUIDANCE, OTHER, values
from .sample import BASE


def test_a_feedback_is_a_new_entry_and_changes_nothing(
    call: Call, feed: Call, decision: str, store: SqliteStore
) -> None:
    before = call("GET", "/log/entries/0").content, call("GET", "/log/response/0").content
    answer = feed(**OVERRIDDEN)

    told = valid(answer)
    assert answer.headers["cds-log-index"] == "1"
    assert answer.headers["content-location"] == "/fhir/AuditEvent/log-1"
    assert values(told, "outcome") == ["overridden"]
    assert values(told, "about")[0]["reference"] == f"GuidanceResponse/{decision}/_history/0"
    after = call("GET", "/log/entries/0").content, call("GET", "/log/response/0").content
    assert after == before
    entry = entry_at(store, 1)
    assert (entry.kind, entry.about, entry.outcome) == ("feedback", 0, "overridden")
    assert (entry.patient, entry.decision_id) == (ORLA, decision)
    assert (entry.request, entry.response) == (said(**OVERRIDDEN), answer.content)
    assert entry.intact


def test_a_feedback_is_seen_in_the_guidance(call: Call, feed: Call, decision: str) -> None:
    feed(**OVERRIDDEN)
    feed(**ACCEPTED)
    feed(**OVERRIDDEN)

    for address in (f"{GUIDANCE}/{decision}", f"{GUIDANCE}/{decision}/_history/0"):
        tags = valid(call("GET", address))["meta"]["tag"]
        assert [each["code"] for each in tags] == ["overridden", "accepted"]
        assert {each["system"] for each in tags} == {f"{BASE}/CodeSystem/log-entry"}
    page = valid(call("GET", GUIDANCE))
    assert len(page["entry"][0]["resource"]["meta"]["tag"]) == 2


def test_a_feedback_may_be_about_one_action_of_one_entry(
    call: Call, post: Call, feed: Call, decision: str
) -> None:
    post()
    action = post().json()["entry"][-1]["fullUrl"]
    given = OVERRIDDEN | {
        "reason": {
            "valueCodeableConcept": {
                "coding": [{"system": "http://codes.example/why", "code": "no-vehicle"}],
                "text": "No vehicle",
            }
        },
        "action": {"valueReference": {"reference": action}},
        "entry": {"valueInteger": 1},
    }
    answer = feed(**given)

    assert answer.status_code == 200
    event = valid(call("GET", answer.headers["content-location"]))
    details = {
        each["type"]: each.get("valueString")
        for entity in event["entity"]
        for each in entity.get("detail", ())
    }
    assert details["reason"] == "No vehicle"
    assert details["reason-code"] == "http://codes.example/why|no-vehicle"
    assert details["action"] == action
    assert event["entity"][2]["what"] == {"reference": "AuditEvent/log-1"}


WITHOUT = [{key: value for key, value in OVERRIDDEN.items() if key != name} for name in OVERRIDDEN]


@pytest.mark.parametrize(
    ("given", "status"),
    [
        (WITHOUT[0], 422),
        (WITHOUT[1], 422),
        (WITHOUT[2], 422),
        (OVERRIDDEN | {"outcome": {"valueCode": "ignored"}}, 422),
        (OVERRIDDEN | {"outcome": {"valueString": "accepted"}}, 400),
        (OVERRIDDEN | {"outcome": {"valueCode": "accepted", "valueString": "x"}}, 400),
        (OVERRIDDEN | {"by": {"valueString": " "}}, 422),
        (OVERRIDDEN | {"by": {"valueReference": {"display": ""}}}, 400),
        (OVERRIDDEN | {"reason": {"valueString": "a" * 2001}}, 422),
        (OVERRIDDEN | {"reason": {"valueString": "quill\x01"}}, 422),
        (OVERRIDDEN | {"reason": {"valueCodeableConcept": {"text": " "}}}, 422),
        (OVERRIDDEN | {"reason": {}}, 400),
        (OVERRIDDEN | {"action": {"valueReference": {"reference": "urn:uuid:" + OTHER}}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": -1}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": 2**63}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": 1.5}}, 400),
        (OVERRIDDEN | {"entry": {"valueInteger": 7}}, 404),
        (OVERRIDDEN | {"note": {"valueString": "Orla Fenn"}}, 400),
        (OVERRIDDEN | {"by": {"valueString": "x", "modifierExtension": [{"url": "u"}]}}, 422),
    ],
)
def test_a_feedback_that_says_too_little_or_too_much_is_refused(
    feed: Call, store: SqliteStore, given: dict[str, Any], status: int
) -> None:
    answer = feed(**given)

    assert answer.status_code == status
    assert issue(answer)["diagnostics"]
    assert asyncio.run(store.size()) == 1


@pytest.mark.parametrize(
    ("content", "headers", "status"),
    [
        (b"", JSON, 400),
        (b"{", JSON, 400),
        (b"[]", JSON, 400),
        (b'{"resourceType":"Bundle"}', JSON, 400),
        (b'{"resourceType":"Parameters","implicitRules":"x","parameter":[]}', JSON, 400),
        (said(**ACCEPTED), {"content-type": "text/plain"}, 415),
        (said(**ACCEPTED), JSON | {"accept": "application/fhir+xml"}, 406),
        (b" " * 200_001, JSON, 413),
        (said(**ACCEPTED), JSON | {"idempotency-key": "1"}, 400),
    ],
)
def test_a_feedback_is_read_like_any_request(
    call: Call, decision: str, content: bytes, headers: dict[str, str], status: int
) -> None:
    address = f"{GUIDANCE}/{decision}/$feedback"

    assert call("POST", address, content=content, headers=headers).status_code == status


def test_a_parameter_twice_is_refused(call: Call, decision: str) -> None:
    twice = orjson.loads(said(**ACCEPTED))
    twice["parameter"] *= 2
    answer = call(
        "POST", f"{GUIDANCE}/{decision}/$feedback", content=orjson.dumps(twice), headers=JSON
    )

    assert answer.status_code == 400
    assert issue(answer)["expression"] == ["Parameters.parameter[2]"]
