"""The auditors' page of one entry: told, verified, asked again; erased, altered."""

import asyncio
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import orjson
import pytest

from cds_service.audit.record import digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.errors import LogUnavailable
from cds_service.service import Service
from tests.examples import FOLDER
from tests.logs import entry_at
from tests.web.conftest import JSON, OVERRIDDEN, Call, said

from .pages import HTML, altered, entries, words


@pytest.fixture
def get(call: Call) -> Call:
    return lambda path, **headers: call("GET", path, headers=HTML | headers)


def test_one_recommendation_is_told_as_an_argument(get: Call, decision: str) -> None:
    shown = words(get("/records/0"))

    for told in (
        "Not feeding well (has stopped feeding as before the illness)",
        "clinical-severe-infection",
        "Verified just now".lower(),
        "for a weight of 3.4 kg",
        "Recommendations for management of serious bacterial infections in infants",
        "What was not known",
        "Patient/orla-fenn",
    ):
        assert told.lower() in shown.lower(), told
    assert decision in shown  # in the answer, as it was recorded


def test_what_a_caller_sent_is_shown_as_text(call: Call, get: Call, decision: str) -> None:
    reason = "'\"><script>alert(1)</script><i title="
    feedback = said(**OVERRIDDEN | {"reason": {"valueString": reason}})
    call("POST", f"/fhir/GuidanceResponse/{decision}/$feedback", content=feedback, headers=JSON)

    for path in ("/records/0", "/records/1"):
        answer = get(path)
        assert reason in words(answer)
        assert "<script>alert" not in answer.text


def test_a_replay_gives_the_same_bytes(call: Call, decision: str) -> None:
    answer = call("POST", "/records/0/replay", headers=HTML)
    assert "The same answer, byte for byte" in words(answer)
    part = call("POST", "/records/0/replay", headers=HTML | {"hx-request": "true"})
    assert part.text.startswith('<div id="replayed"')


def test_a_replay_that_differs_says_how(
    call: Call, service: Service, decision: str, store: SqliteStore
) -> None:
    entry = entry_at(store, 0)
    other = entry.response.replace(b'"data-requested"', b'"success"').replace(b"urgent", b"routine")
    assert other != entry.response
    changed = replace(entry, response=other, response_sha256=digest(other))
    asyncio.run(store.append(changed))

    shown = words(call("POST", "/records/1/replay", headers=HTML))
    assert "Another answer" in shown


def test_feedback_is_shown_where_it_belongs(call: Call, get: Call, decision: str) -> None:
    path = f"/fhir/GuidanceResponse/{decision}/$feedback"
    call("POST", path, content=said(**OVERRIDDEN), headers=JSON)

    shown = words(get("/records/0"))
    assert "Decided otherwise by Nurse Quill: “The mother of marmalade lane declines" in shown
    shown = words(get("/records/1"))
    assert "Feedback 1" in shown
    assert "AboutEntry 0" in shown


def test_what_was_printed_of_it_is_told(call: Call, get: Call, decision: str) -> None:
    printed = call("GET", f"/fhir/GuidanceResponse/{decision}/label?format=svg&name=blank")
    assert printed.status_code == 200, printed.text

    assert "Printed: label, svg, en" in words(get("/records/0"))
    shown = words(get("/records/1"))
    assert "Label or leaflet 1" in shown
    assert "AboutEntry 0" in shown
    assert "1 recommendation" in words(get("/records"))


def test_an_erased_entry_is_shown_as_one(get: Call, service: Service, decision: str) -> None:
    asyncio.run(service.erase(0, "asked for by the family"))

    shown = words(get("/records/0"), 410)
    assert "Request and answer were destroyed" in shown
    assert "asked for by the family" in shown
    assert "Yes: verified just now" in shown
    assert "Erased: request and answer were destroyed" in words(get("/records"))
    assert "Erasure 1" in words(get("/records/1"))


IN_ANSWER = "CAST(replace(CAST(response AS TEXT), 'urgent', 'routine') AS BLOB)"


@pytest.mark.parametrize(
    "statement",
    [
        f"UPDATE payload SET response = {IN_ANSWER}",
        "UPDATE payload SET rest = CAST('{' AS BLOB)",
        "UPDATE entry SET leaf = CAST('{}' AS BLOB)",
        "UPDATE entry SET leaf = CAST(replace(CAST(leaf AS TEXT), '2026', '2025') AS BLOB)",
    ],
)
def test_an_altered_entry_is_said_loudly_and_not_shown(
    post: Call, get: Call, tmp_path: Path, statement: str
) -> None:
    post()
    post()
    altered(tmp_path / "log.db", f"{statement} WHERE position = 0")

    shown = words(get("/records/0"))
    certain = "2025" not in statement
    assert ("ALTERED" if certain else "NOT PROVED") in shown
    assert "Nothing of its request and answer is shown" in shown
    assert "Gentamicin" not in shown
    # A path leads past the leaves beside it: when one of them is altered it is not known which.
    whole = "payload" in statement
    assert ("Yes: verified" if whole else "cannot be proved") in words(get("/records/1"))
    listed = get("/records")
    assert entries(listed) == [1, 0]
    if certain:
        assert "ALTERED: this is not what was recorded" in words(listed)
    assert "Doses per kilogram" in words(get("/records/doses"))


def test_a_payload_that_was_removed_is_no_erasure(post: Call, get: Call, tmp_path: Path) -> None:
    post()
    altered(tmp_path / "log.db", "DELETE FROM payload")

    shown = words(get("/records/0"))
    assert "ALTERED" in shown
    assert "no entry of the log says why" in shown
    assert "GONE: request and answer are not there" in words(get("/records"))


def test_an_altered_feedback_is_not_told(
    call: Call, get: Call, decision: str, tmp_path: Path
) -> None:
    path = f"/fhir/GuidanceResponse/{decision}/$feedback"
    call("POST", path, content=said(**OVERRIDDEN), headers=JSON)
    change = "CAST(replace(CAST(request AS TEXT), 'declines', 'accepts') AS BLOB)"
    altered(tmp_path / "log.db", f"UPDATE payload SET request = {change} WHERE position = 1")

    shown = words(get("/records/0"))
    assert "ALTERED: entry 1 is not what was recorded" in shown
    assert "Nurse Quill" not in shown


def test_a_card_that_was_fed_back_about_says_why(call: Call, get: Call) -> None:
    """The feedback as in the specification's example (CDS Hooks 2.0, Feedback), from memory."""
    sent = orjson.loads((FOLDER / "hooks-plan" / "call.json").read_bytes())
    path = "/cds-services/sick-young-infant-plan"
    dealt = call("POST", path, json=sent)
    card = dealt.json()["cards"][0]["uuid"]
    why = {"reason": {"code": "seen", "display": "Seen by a doctor"}, "userComment": "by telephone"}
    feedback = {
        "card": card,
        "outcome": "overridden",
        "overrideReason": why,
        "outcomeTimestamp": "2026-05-01T09:30:00Z",
    }
    answer = call("POST", f"{path}/feedback", json={"feedback": [feedback]})
    assert answer.status_code == 200, answer.text

    shown = words(get("/records/0"))
    assert "Decided otherwise: “Seen by a doctor” “by telephone”" in shown
    assert "Refer urgently, or treat here" in shown
    assert "ReasonSeen by a doctor" in words(get("/records/1"))
    assert "Cards (CDS Hooks):" in words(get("/records"))


def test_an_answer_that_cannot_be_told_is_shown_as_it_was_recorded(
    get: Call, decision: str, store: SqliteStore
) -> None:
    other = b'{"entry":[{"resource":{"resourceType":"Condition","code":[]}}]}'
    entry = replace(entry_at(store, 0), response=other, response_sha256=digest(other))
    asyncio.run(store.append(entry))

    shown = words(get("/records/1"))
    assert "not one that this program can tell in words" in shown
    assert '"code": []' in shown
    assert "Read from 2 recorded answers" in words(get("/records/doses"))


def test_a_log_that_cannot_be_read_is_a_page_that_says_so(
    get: Call, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fail(*_: object) -> None:
        raise LogUnavailable("the disk is gone")

    for question in ("outlines", "outlines_from", "find", "get"):
        monkeypatch.setattr(store, question, fail)
    for path in ("/records", "/records/0", "/records/doses"):
        answer = get(path)
        assert "The log cannot be read now" in words(answer, 503)
        assert answer.headers["retry-after"] == "5"
        assert "disk" not in answer.text


def test_a_replay_that_is_loaded_again_is_the_entry(get: Call, decision: str) -> None:
    answer = get("/records/0/replay")
    assert (answer.status_code, answer.headers["location"]) == (303, "/records/0")


def test_what_the_page_links_to_verifies_offline(get: Call, decision: str, tmp_path: Path) -> None:
    """By the verifier of examples/, which knows nothing of this package."""
    page = get("/records/0").text
    files = {}
    for name in ("proof/inclusion", "entries", "opening", "request", "response", "keys"):
        address = f"/log/{name}" if name == "keys" else f"/log/{name}/0"
        assert f'href="{address}"' in page
        files[name] = tmp_path / name.replace("/", "-")
        files[name].write_bytes(get(address).content)
    key, *others = files["keys"], *(files[name] for name in files if name != "keys")
    verifier = FOLDER / "verify_proof.py"
    command = [sys.executable, verifier, key, "entry", *others]
    shown = subprocess.run(command, capture_output=True, text=True, check=False)

    assert shown.stdout.startswith("SHOWN: record, request and response are those of entry 0")
