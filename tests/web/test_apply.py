"""The operation over HTTP: what comes back, what is refused, and that nothing leaves unrecorded."""

import asyncio
import logging
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import orjson
import pytest

from cds_service.audit.record import digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from cds_service.web.app import make_app
from tests.logs import entry_at

from .conftest import NOW, Call, call_app, issue
from .sample import AT, BASE, PATH, body, bundle


def test_a_plan_comes_back_as_a_bundle_that_begins_with_the_guidance(post: Call) -> None:
    answer = post()

    assert answer.status_code == 200
    first = answer.json()["entry"][0]["resource"]
    assert first["resourceType"] == "GuidanceResponse"
    assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
    assert answer.headers["content-language"] == "en"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cds-log-index"] == "0"
    assert UUID(answer.headers["cds-decision-id"]).version == 5
    assert int(answer.headers["content-length"]) == len(answer.content)


def test_the_bare_bundle_is_a_request_too(post: Call) -> None:
    assert post(orjson.dumps(bundle())).status_code == 200


def test_the_subject_may_be_left_out_of_the_parameters(post: Call) -> None:
    without = orjson.loads(body())
    without["parameter"] = [one for one in without["parameter"] if one["name"] != "subject"]

    assert post(orjson.dumps(without)).content == post().content


def test_the_log_holds_the_exact_bytes_before_the_answer_is_sent(
    service: Service, store: SqliteStore, tmp_path: Path
) -> None:
    recorded_when_sent: list[int] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body()}

    async def send(message: dict[str, Any]) -> None:
        with closing(sqlite3.connect(tmp_path / "log.db")) as log:
            recorded_when_sent.extend(log.execute("SELECT COUNT(*) FROM entry").fetchone())
        if message["type"] == "http.response.body":
            sent.append(message["body"])

    sent: list[bytes] = []
    scope = {
        "type": "http", "method": "POST", "path": PATH, "query_string": b"",
        "headers": [(b"content-type", b"application/json")],
    }  # fmt: skip
    asyncio.run(make_app(service)(scope, receive, send))

    assert recorded_when_sent == [1, 1]
    entry = entry_at(store, 0)
    assert entry is not None
    assert (entry.request, [entry.response]) == (body(), sent)
    assert entry.request_sha256 == digest(body())
    assert entry.response_sha256 == digest(sent[0])


def test_an_entry_says_what_decided_and_when(post: Call, store: SqliteStore) -> None:
    answer = post(prefer="handling=strict")
    entry = entry_at(store, int(answer.headers["cds-log-index"]))

    assert entry is not None
    assert entry.as_of.isoformat() == AT
    assert entry.recorded == NOW
    assert entry.decision_id == answer.headers["cds-decision-id"]
    assert entry.protocol.startswith("sick-young-infant|")
    assert len(entry.content_digest) == 64
    assert (entry.code_version, entry.language, entry.strict) == ("0.1.0", "en", True)


def test_the_same_question_gives_the_same_bytes_and_a_further_entry(post: Call) -> None:
    first, second = post(), post()

    assert first.content == second.content
    assert [answer.headers["cds-log-index"] for answer in (first, second)] == ["0", "1"]


@pytest.mark.parametrize("path", [PATH.replace("$", "%24"), PATH + "?_format=json"])
def test_other_spellings_of_the_address(call: Call, path: str) -> None:
    headers = {"content-type": "application/json"}

    assert call("POST", path, content=body(), headers=headers).status_code == 200


def in_language(code: str) -> bytes:
    return body(userLanguage={"valueCode": code})


@pytest.mark.parametrize(
    ("wished", "used"),
    [
        ("xh, fr;q=0.5", "en, fr"),
        ("sw-TZ", "en, sw"),
        ("fr;q=0.3, SW;q=0.4, *;q=0.1", "en, sw"),
        ("en-GB, sw;q=0.9", "en"),
        ("xh", "en"),
        ("*", "en"),
        ("", "en"),
    ],
)
def test_the_language_is_looked_up_as_rfc_4647_says(post: Call, wished: str, used: str) -> None:
    assert post(accept_language=wished).headers["content-language"] == used


def test_the_requests_own_language_comes_first_and_is_recorded(
    post: Call, service: Service
) -> None:
    answer = post(in_language("sw"), accept_language="fr")

    assert answer.headers["content-language"] == "en, sw"
    entry = entry_at(service.store, 0)
    assert entry is not None
    assert entry.language == "sw"


def test_a_language_that_there_is_not_is_said_and_replayed(post: Call, service: Service) -> None:
    answer = post(in_language("xh"), accept_language="xh, sw;q=0.2")

    assert answer.headers["content-language"] == "en, sw"
    note = answer.json()["entry"][0]["resource"]["note"]
    assert "No texts in the language xh" in " ".join(each["text"] for each in note)
    entry = entry_at(service.store, 0)
    assert entry is not None
    assert replay(entry, Library(), base=BASE) == answer.content


def test_the_decision_is_the_same_in_every_language(post: Call) -> None:
    answers = [post(accept_language=each) for each in ("en", "fr", "sw", "ar")]

    assert len({each.headers["cds-decision-id"] for each in answers}) == 1


def test_strictness_is_confirmed(post: Call) -> None:
    assert post(prefer="handling=strict").headers["preference-applied"] == "handling=strict"
    assert "preference-applied" not in post(prefer="handling=lenient").headers


@pytest.mark.parametrize("given", ["tolm-ford.17_b", "A" * 64])
def test_a_sane_request_id_is_repeated(post: Call, given: str) -> None:
    assert post(x_request_id=given).headers["x-request-id"] == given


@pytest.mark.parametrize("given", ["", "A" * 65, "a b", "<script>", "Orla Fenn"])
def test_any_other_request_id_is_replaced(post: Call, given: str) -> None:
    fresh = post(x_request_id=given).headers["x-request-id"]

    assert fresh != given
    assert UUID(fresh)


@pytest.mark.parametrize(
    ("content", "status", "code"),
    [
        (b"", 400, "structure"),
        (b"{", 400, "structure"),
        (b"[]", 400, "structure"),
        (b"\xff\xfe", 400, "structure"),
        (b"[" * 100_000 + b"]" * 100_000, 400, None),
        (b'{"resourceType":"Patient"}', 400, None),
        (orjson.dumps({"resourceType": "Bundle", "type": "collection"}), 422, None),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_remedy(
    post: Call, store: SqliteStore, content: bytes, status: int, code: str | None
) -> None:
    answer = post(content)

    assert answer.status_code == status
    problem = answer.json()["issue"][0]
    assert problem["severity"] == "error"
    assert code in (None, problem["code"])
    assert asyncio.run(store.size()) == 0


@pytest.mark.parametrize(
    "content_type",
    ["", "text/plain", "application/fhir+xml", "application/json; charset=latin-1"],
)
def test_only_json_is_read(post: Call, content_type: str) -> None:
    answer = post(content_type=content_type)

    assert answer.status_code == 415
    assert issue(answer)["code"] == "not-supported"
    assert answer.headers["accept"] == "application/fhir+json"


def test_a_request_without_content_type_is_not_read_and_told_what_to_send(call: Call) -> None:
    answer = call("POST", PATH, content=body())

    assert answer.status_code == 415
    assert issue(answer)["details"]["text"] == "The request has no Content-Type."
    assert "Content-Type: application/fhir+json" in issue(answer)["diagnostics"]


def test_a_coded_body_is_not_read(post: Call) -> None:
    assert post(content_encoding="gzip").status_code == 415


@pytest.mark.parametrize("version", ["5.0", "4.3", "3.0"])
def test_another_version_of_fhir_is_neither_read_nor_written(post: Call, version: str) -> None:
    other = f"application/fhir+json; fhirVersion={version}"

    assert post(content_type=other).status_code == 415
    assert "4.0" in issue(post(content_type=other))["details"]["text"]
    assert post(accept=other).status_code == 406
    assert post(accept=f"{other}, application/fhir+json; fhirVersion=4.0").status_code == 200


def test_our_version_of_fhir_may_be_named(post: Call) -> None:
    assert post(content_type="application/fhir+json;fhirVersion=4.0").status_code == 200


@pytest.mark.parametrize("accept", ["application/fhir+xml", "text/html", "application/json;q=0"])
def test_only_json_is_written(post: Call, accept: str) -> None:
    answer = post(accept=accept)

    assert answer.status_code == 406
    assert issue(answer)["code"] == "not-supported"


def test_the_format_parameter_overrules_accept(call: Call) -> None:
    headers = {"content-type": "application/json", "accept": "application/fhir+json"}

    assert call("POST", PATH + "?_format=xml", content=body(), headers=headers).status_code == 406


def test_a_body_beyond_the_limit_is_refused_whether_declared_or_not(call: Call) -> None:
    async def in_pieces() -> Any:
        for _ in range(30):
            yield b" " * 10_000

    headers = {"content-type": "application/json"}
    for content in (b" " * 200_001, in_pieces()):
        answer = call("POST", PATH, content=content, headers=headers)
        assert answer.status_code == 413
        assert issue(answer)["code"] == "too-long"


def test_a_body_up_to_the_limit_is_read(post: Call) -> None:
    assert post(body() + b" " * (200_000 - len(body()))).status_code == 200


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH", "HEAD"])
def test_the_operation_is_only_posted(call: Call, method: str) -> None:
    answer = call(method, PATH)

    assert answer.status_code == 405
    assert answer.headers["allow"] == "POST, OPTIONS"
    assert (answer.content == b"") == (method == "HEAD")


def test_options_says_what_is_allowed(call: Call) -> None:
    answer = call("OPTIONS", PATH)

    assert (answer.status_code, answer.headers["allow"]) == (204, "POST, OPTIONS")
    assert answer.content == b""
    assert "content-length" not in answer.headers


def test_a_log_that_takes_nothing_means_no_recommendation(post: Call, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        answer = post()

    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    problem = issue(answer)
    assert problem["code"] == "transient"
    assert "paper chart" in answer.text
    assert "GuidanceResponse" not in answer.text
    assert post().status_code == 200


@pytest.fixture
def broken(service: Service, monkeypatch: pytest.MonkeyPatch) -> Callable[[], httpx.Response]:
    """A service whose engine fails with a message that names the infant."""

    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("Orla Fenn")

    monkeypatch.setattr("cds_service.service.deciding.decide", fail)
    headers = {"content-type": "application/json", "x-request-id": "upper-brenna-9"}
    app = make_app(service)
    return lambda: call_app(app, "POST", PATH, content=body(), headers=headers)


def test_a_fault_says_to_use_paper_and_nothing_more(
    broken: Callable[[], httpx.Response], store: SqliteStore
) -> None:
    answer = broken()

    assert answer.status_code == 500
    assert issue(answer)["severity"] == "fatal"
    assert "paper chart" in answer.text
    assert "Zero" not in answer.text
    assert asyncio.run(store.size()) == 0


def test_a_fault_leaves_a_log_line_without_personal_data(
    broken: Callable[[], httpx.Response], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR):
        broken()

    (record,) = caplog.records
    assert "upper-brenna-9" in record.getMessage()
    assert "ZeroDivisionError" in record.getMessage()
    assert "Orla" not in caplog.text
    assert record.exc_info is None


def test_nobody_is_answered_who_has_hung_up(service: Service) -> None:
    async def receive() -> dict[str, Any]:
        return {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        raise AssertionError(message)

    scope = {
        "type": "http", "method": "POST", "path": PATH, "query_string": b"",
        "headers": [(b"content-type", b"application/json")],
    }  # fmt: skip
    asyncio.run(make_app(service)(scope, receive, send))

    assert asyncio.run(service.store.size()) == 0
