"""$record and $replay of a GuidanceResponse: the bytes that were recorded, and the same again."""

import asyncio
from typing import Any

import orjson
import pytest

from cds_service.audit.record import digest
from cds_service.audit.sqlite import SqliteStore
from tests.changing import replace
from tests.logs import entry_at

from .auditing import valid
from .conftest import ACCEPTED, JSON, OVERRIDDEN, Call, issue, said
from .guidance import GUIDANCE, NOTE, changed, values
from .sample import body, bundle


def test_the_record_has_everything_as_the_bytes_it_was(call: Call, post: Call, feed: Call) -> None:
    feed(**OVERRIDDEN)
    answer = post()
    decision = answer.headers["cds-decision-id"]
    # Both entries are of the same decision; the first has a feedback.
    for method in ("GET", "POST"):
        read = call(method, f"{GUIDANCE}/{decision}/$record?entry=0")
        record = valid(read)
        kinds = [each["resource"]["resourceType"] for each in record["entry"]]
        assert kinds == ["AuditEvent", "Parameters", "Bundle", "AuditEvent"]
        assert body() in read.content
        assert answer.content in read.content
        addresses = [each["fullUrl"] for each in record["entry"]]
        assert call("GET", addresses[1]).content == body()
        assert call("GET", addresses[2]).content == answer.content
        assert call("GET", addresses[3]).json() == record["entry"][3]["resource"]
    newest = valid(call("GET", f"{GUIDANCE}/{decision}/$record"))
    assert newest["entry"][0]["resource"]["id"] == "log-2"
    assert len(newest["entry"]) == 3


def test_replay_gives_the_same_bytes(call: Call, post: Call) -> None:
    decision = post(accept_language="sw").headers["cds-decision-id"]
    post(orjson.dumps(bundle()))
    post()
    told = valid(call("POST", f"{GUIDANCE}/{decision}/$replay"))

    assert values(told, "equal") == [True]
    replayed = [{"parameter": parts} for parts in values(told, "entry")]
    assert [values(each, "index") for each in replayed] == [["2"], ["0"]]
    assert [values(each, "equal") for each in replayed] == [[True], [True]]
    assert values(replayed[0], "proof") == ["/log/proof/inclusion/2"]
    assert call("GET", values(replayed[0], "proof")[0]).status_code == 200


def test_replay_of_a_note(call: Call) -> None:
    answer = call("POST", NOTE, content=body(), headers=JSON)
    told = valid(call("POST", f"{GUIDANCE}/{answer.headers['cds-decision-id']}/$replay"))

    assert values(told, "equal") == [True]


@pytest.mark.parametrize(
    "named",
    [
        {"content": said(entry={"valueInteger": 1}), "headers": JSON},
        {"params": {"entry": "1"}},
    ],
    ids=["in the body", "in the query"],
)
@pytest.mark.parametrize("every", [True, False])
def test_one_entry_is_replayed_when_it_is_named(
    call: Call, post: Call, named: dict[str, Any], every: bool
) -> None:
    decision = post().headers["cds-decision-id"]
    post()
    address = f"{GUIDANCE}/$replay" if every else f"{GUIDANCE}/{decision}/$replay"
    told = valid(call("POST", address, **named))

    assert [parts[0]["valueString"] for parts in values(told, "entry")] == ["1"]


def words(call: Call, index: int, name: str) -> list[str]:
    """What is said of the one entry that was replayed; it was not equal."""
    told = valid(call("POST", f"{GUIDANCE}/$replay?entry={index}"))
    (parts,) = values(told, "entry")
    assert values(told, "equal") == [False]
    assert values({"parameter": parts}, "equal") == ([False] if name == "difference" else [])
    return [str(each) for each in values({"parameter": parts}, name)]


def test_a_difference_is_told_in_words(call: Call, decision: str, store: SqliteStore) -> None:
    before = entry_at(store, 0).response
    for response in (before.replace(b"Clinical severe", b"Another", 1), b'{"entry":[]}'):
        changed(store, response=response, response_sha256=digest(response))

    same_care, another = (words(call, index, "difference") for index in (1, 2))
    assert same_care[0].startswith("No class, referral, medicine")
    assert len(same_care) == 2
    assert ": was " in same_care[1]
    assert "Gentamicin more" in " ".join(another)


def test_an_altered_entry_is_not_replayed_but_told(
    call: Call, decision: str, store: SqliteStore
) -> None:
    changed(store, response=b'{"entry":[]}')  # its hash is still that of another response

    (why,) = words(call, 1, "not-replayed")
    assert "altered" in why


def test_the_event_of_an_altered_entry_says_so_and_nothing_of_what_is_stored(
    call: Call, decision: str, store: SqliteStore
) -> None:
    recorded = entry_at(store, 0)
    altered = recorded.response.replace(b"gentamicin", b"amikacin")
    asyncio.run(store.append(replace(recorded, response=altered)))

    for answer in (
        call("GET", "/fhir/AuditEvent/log-1").json(),
        call("GET", "/fhir/AuditEvent?_id=log-1").json()["entry"][0]["resource"],
    ):
        assert "not what was recorded" in answer["outcomeDesc"]
        assert {"type": "altered", "valueString": "true"} in answer["entity"][0]["detail"]
        assert recorded.patient not in str(answer)
        assert decision not in str(answer)
    assert "altered" not in str(call("GET", "/fhir/AuditEvent/log-0").json())


@pytest.mark.parametrize("operation", ["", "/_history/1", "/$record", "/$record?entry=1"])
def test_an_altered_entry_is_not_shown_as_what_was_recorded(
    call: Call, decision: str, store: SqliteStore, operation: str
) -> None:
    before = entry_at(store, 0).response
    changed(store, response=before.replace(b"gentamicin", b"amikacin"))
    answer = call("GET", f"{GUIDANCE}/{decision}{operation}")

    assert answer.status_code == 500
    assert "Entry 1 of the log was altered" in issue(answer)["details"]["text"]
    assert call("GET", GUIDANCE).status_code == 500


def test_what_cannot_be_replayed_says_why(call: Call, decision: str, store: SqliteStore) -> None:
    changed(store, content_digest="0" * 64)
    changed(store, protocol="sick-young-infant|1066.1")

    assert "has changed since" in words(call, 1, "not-replayed")[0]
    assert words(call, 2, "not-replayed")


@pytest.mark.parametrize("entry", ["1", "99999999"])
def test_an_entry_that_is_no_recommendation_is_not_found(
    call: Call, feed: Call, decision: str, entry: str
) -> None:
    feed(**ACCEPTED)
    for operation in ("$replay", "$record"):
        answer = call("POST", f"{GUIDANCE}/{decision}/{operation}?entry={entry}")
        assert answer.status_code == 404


@pytest.mark.parametrize(
    "query", ["?entry=-1", "?entry=x", "?entry=1&entry=2", "?entry=" + "9" * 30, ""]
)
def test_an_entry_must_be_one_number(call: Call, query: str) -> None:
    answer = call("POST", f"{GUIDANCE}/$replay{query}")

    assert answer.status_code == 400
    assert issue(answer)["code"] == "required"
