"""Batches and entries of them that are refused (FHIR R4 http.html#transaction; from memory)."""

import httpx
import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import entry_at

from .batches import APPLY, PLAN, Json, Post, asks, batch, entries, posting, refusal, size, statuses
from .conftest import JSON, Call, call_app, issue
from .sample import bundle, parameters


@pytest.fixture
def post(call: Call) -> Post:
    return posting(call)


@pytest.mark.parametrize("name", ["ifMatch", "ifModifiedSince", "ifNoneExist", "ifNoneMatch"])
def test_a_condition_is_refused_plainly(post: Post, store: SqliteStore, name: str) -> None:
    answer = post(batch(asks("POST", APPLY, parameters(), **{name: "patient=orla-fenn"}), PLAN))

    assert statuses(answer) == ["422", "200"]
    found = refusal(entries(answer)[0])
    assert found["code"] == "not-supported"
    assert found["expression"] == [f"Bundle.entry[0].request.{name}"]
    assert size(store) == 1


def test_a_transaction_is_refused_whole_and_says_what_to_do(post: Post, store: SqliteStore) -> None:
    answer = post(batch(PLAN, PLAN, kind="transaction"))

    assert answer.status_code == 501
    assert issue(answer)["code"] == "not-supported"
    assert issue(answer)["expression"] == ["Bundle.type"]
    assert "type batch" in issue(answer)["diagnostics"]
    assert size(store) == 0


@pytest.mark.parametrize(
    ("content", "status", "code"),
    [
        (b"", 400, "structure"),
        (b"{", 400, "structure"),
        (b"[]", 400, "structure"),
        (b"{}", 400, "structure"),
        (b'{"resourceType":"Patient"}', 400, "structure"),
        (b'{"resourceType":"Bundle","type":"batch","entry":{}}', 400, "structure"),
        (b'{"resourceType":"Bundle","type":"batch","entry":[5]}', 400, "structure"),
        (b'{"resourceType":"Bundle","type":"batch","entry":[null]}', 400, "structure"),
        (b'{"resourceType":"Bundle","type":7}', 400, "structure"),
        (b'{"resourceType":"Bundle"}', 422, "value"),
        (orjson.dumps(bundle()), 422, "value"),
        (b'{"resourceType":"Bundle","type":"batch","id":"\xff"}', 400, "structure"),
        (batch(implicitRules="http://marrow-vale.example/rules"), 422, "extension"),
        (b'{"resourceType":"Bundle","type":"transaction","type":"batch"}', 400, "duplicate"),
        (batch(PLAN).replace(b'"request"', b'"request":{},"request"'), 400, "duplicate"),
        (batch(PLAN).replace(b'"resource":', b'"resource":{},"resource":', 1), 400, "duplicate"),
        (b'{"resourceType":"Bundle","type":"batch","entry":' + b"[" * 99_000, 400, None),
    ],
)
def test_what_is_no_batch_is_refused_whole(
    post: Post, store: SqliteStore, content: bytes, status: int, code: str | None
) -> None:
    answer = post(content)

    assert answer.status_code == status, answer.text
    assert code in (None, issue(answer)["code"])
    assert size(store) == 0


@pytest.mark.parametrize(
    ("entry", "place"),
    [
        ({}, ".request"),
        ({"request": {"method": "POST"}}, ".request.url"),
        ({"request": {"method": "post", "url": APPLY}}, ".request.method"),
        ({"request": {"method": "GET", "url": ""}}, ".request.url"),
        ({"request": []}, ".request"),
        (asks("GET", "metadata", {"resourceType": "Basic"}), ".resource"),
        (PLAN | {"modifierExtension": [{"url": "http://x.example"}]}, ""),
        *((asks("GET", url), ".request.url") for url in (
            "/metadata", "http://here.example/fhir/metadata", "?a=b", "metadata#a",
            "metadata?_elements=\u00e4", "urn:uuid:8e03978e",
        )),
    ],
)  # fmt: skip
def test_an_entry_that_is_wrong_is_refused_alone_and_named(
    post: Post, entry: Json, place: str
) -> None:
    answer = post(batch(asks("GET", "metadata"), entry))

    assert statuses(answer)[0] == "200"
    assert statuses(answer)[1] in ("400", "422")
    assert refusal(entries(answer)[1])["expression"] == [f"Bundle.entry[1]{place}"]


@pytest.mark.parametrize("url", ["../log/checkpoint", "%2e%2e/log/checkpoint", "%2F", "metadata/"])
def test_nothing_outside_the_base_is_reached(post: Post, url: str) -> None:
    assert statuses(post(batch(asks("GET", url), asks("GET", "..")))) == ["404", "404"]


def test_a_batch_within_a_batch_is_not_there(post: Post, store: SqliteStore) -> None:
    inner = orjson.loads(batch(PLAN))

    assert set(statuses(post(batch(*(asks("POST", url, inner) for url in ("%2F", "")))))) <= {
        "400", "404",
    }  # fmt: skip
    assert size(store) == 0


def test_more_entries_than_the_setting_are_refused(service: Service, store: SqliteStore) -> None:
    app = make_app(service, max_entries=3)

    def send(count: int) -> httpx.Response:
        return call_app(app, "POST", "/fhir", content=batch(*[PLAN] * count), headers=JSON)

    assert statuses(send(3)) == ["200"] * 3
    refused = send(4)
    assert (refused.status_code, issue(refused)["code"]) == (413, "too-costly")
    assert "3 entries" in issue(refused)["details"]["text"]
    assert size(store) == 3


def test_a_body_beyond_the_limit_is_refused(post: Post) -> None:
    assert post(batch() + b" " * 200_000).status_code == 413


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH", "HEAD"])
def test_a_batch_is_only_posted(call: Call, method: str) -> None:
    answer = call(method, "/fhir")

    assert (answer.status_code, answer.headers["allow"]) == (405, "POST, OPTIONS")
    assert call("OPTIONS", "/fhir").status_code == 204


def test_media_types_are_those_of_a_single_call(post: Post) -> None:
    assert post(batch(PLAN), content_type="application/fhir+xml").status_code == 415
    assert post(batch(PLAN), content_encoding="gzip").status_code == 415
    assert post(batch(PLAN), accept="application/fhir+xml").status_code == 406
    assert post(batch(PLAN), accept="application/json;q=0.4, text/html").status_code == 200


def test_strictness_holds_for_each_entry_and_for_the_shell(post: Post, store: SqliteStore) -> None:
    odd = parameters(colour={"valueCode": "red"})
    answer = post(batch(PLAN, asks("POST", APPLY, odd)), prefer="handling=strict")

    assert statuses(answer) == ["200", "422"]
    assert answer.headers["preference-applied"] == "handling=strict"
    assert entry_at(store, 0).strict
    for shell in (
        batch(PLAN, colour="red"),
        batch(PLAN, total=1),  # bdl-1: only of a search or a history
        batch(PLAN | {"response": {"status": "200"}}),  # bdl-4
        batch(PLAN | {"search": {"mode": "match"}}),  # bdl-2
        batch(PLAN, id=None),
    ):
        refused = post(shell, prefer="handling=strict")
        assert (refused.status_code, issue(refused)["code"]) == (400, "structure")
        assert statuses(post(shell)) == ["200"]
    odd_request = asks("POST", APPLY, parameters(), colour="red")
    assert statuses(post(batch(PLAN, odd_request), prefer="handling=strict")) == ["200", "400"]
