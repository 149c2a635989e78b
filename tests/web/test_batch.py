"""A batch at the base (FHIR R4 http.html#transaction, bundle.html bdl-3; rules from memory)."""

import asyncio
import base64
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.record import digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from cds_service.web.app import make_app
from tests.logs import entry_at

from .conftest import ACCEPTED, JSON, Call, call_app, issue, said
from .sample import AT, BASE, PATH, body, bundle, parameters

Json = dict[str, Any]
APPLY = PATH.removeprefix("/fhir/")
NOTE = APPLY.replace("$apply", "$referral-note")
KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
EXAMPLES = Path(__file__).parents[2] / "examples"


def asks(method: str, url: str, resource: Json | None = None, **request: str) -> Json:
    entry: Json = {"request": {"method": method, "url": url, **request}}
    return entry if resource is None else entry | {"resource": resource}


def batch(*entries: Any, kind: str = "batch", **more: Any) -> bytes:
    shell = {"resourceType": "Bundle", "type": kind, **more}
    return orjson.dumps(shell | ({"entry": entries} if entries else {}))


PLAN = asks("POST", APPLY, parameters())


@pytest.fixture
def post(call: Call) -> Callable[..., httpx.Response]:
    def send(content: bytes, /, **headers: str) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return call("POST", "/fhir", content=content, headers=JSON | named)

    return send


Post = Callable[..., httpx.Response]


def entries(answer: httpx.Response) -> list[Json]:
    """The entries of a batch-response; it is one as R4 defines it."""
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    assert (found["resourceType"], found["type"]) == ("Bundle", "batch-response")
    shell = [{"response": each["response"]} for each in found.get("entry", [])]
    get_fhir_model_class("Bundle").model_validate(found | {"entry": shell} if shell else found)
    return list(found.get("entry", []))


def statuses(answer: httpx.Response) -> list[str]:
    return [each["response"]["status"] for each in entries(answer)]


def refusal(entry: Json) -> Json:
    """The one issue about a refused entry."""
    assert "resource" not in entry
    outcome = entry["response"]["outcome"]
    get_fhir_model_class("OperationOutcome").model_validate(outcome)
    (found,) = outcome["issue"]
    assert found["severity"] == "error"
    return dict(found)


def size(store: SqliteStore) -> int:
    return asyncio.run(store.size())


def test_each_entry_gets_the_bytes_that_it_would_get_alone(post: Post, call: Call) -> None:
    other = parameters(userLanguage={"valueCode": "sw"})
    answer = post(batch(PLAN, asks("POST", APPLY, other), asks("POST", NOTE, parameters())))

    assert statuses(answer) == ["200"] * 3
    for path, content in (
        (PATH, body()),
        (PATH, orjson.dumps(other)),
        (f"/fhir/{NOTE}", body()),
    ):
        assert call("POST", path, content=content, headers=JSON).content in answer.content


def test_every_example_is_answered_in_one_batch_as_it_is_alone(call: Call) -> None:
    stories = sorted(EXAMPLES.glob("[0-9]*/request.json"))[:12]
    sent = [asks("POST", APPLY, orjson.loads(each.read_bytes())) for each in stories]
    answer = call("POST", "/fhir", content=batch(*sent), headers=JSON)

    assert len(sent) == 12
    for entry, story in zip(entries(answer), stories, strict=True):
        assert entry["resource"] == orjson.loads((story.parent / "response.json").read_bytes())


def test_the_log_has_an_entry_for_each_with_its_exact_bytes(
    post: Post, service: Service, store: SqliteStore
) -> None:
    spaced = body().replace(b'":', b'" : ')
    shell = batch(PLAN, asks("POST", APPLY, {"here": 1}), asks("POST", NOTE, parameters()))
    answer = post(shell.replace(b'{"here":1}', spaced))

    assert size(store) == 3
    for index, (sent, entry) in enumerate(
        zip((body(), spaced, body()), entries(answer), strict=True)
    ):
        kept = entry_at(store, index)
        assert (kept.request, kept.request_sha256) == (sent, digest(sent))
        assert orjson.loads(kept.response) == entry["resource"]
        assert replay(kept, Library(), base=BASE) == kept.response
        assert entry["response"]["location"] == f"AuditEvent/log-{index}"


def test_the_checkpoint_commits_to_all_that_was_recorded(post: Post, call: Call) -> None:
    answer = post(batch(PLAN, PLAN, asks("GET", "CodeSystem/finding"), PLAN))

    note = base64.b64decode(answer.headers["cds-log-checkpoint"]).decode()
    assert note.split("\n")[1] == "3"
    assert note == call("GET", "/log/checkpoint").text
    assert "cds-log-checkpoint" not in post(batch(asks("GET", "CodeSystem/finding"))).headers


def test_entries_are_independent_and_in_their_order(post: Post, store: SqliteStore) -> None:
    adult = parameters()
    adult["parameter"][2]["resource"]["entry"][0]["resource"]["birthDate"] = "1980-01-01"
    sent = [
        asks("POST", APPLY, adult),
        PLAN,
        asks("POST", APPLY, {"resourceType": "Basic"}),
        asks("GET", "Patient/orla-fenn"),
        asks("DELETE", "CodeSystem/finding"),
        asks("PUT", "Patient/orla-fenn", {"resourceType": "Patient"}),
        {"fullUrl": "urn:uuid:8e03978e-40d5-43e8-bc93-6894a57f9324"},
        PLAN,
    ]
    answer = post(batch(*sent))

    assert statuses(answer) == ["422", "200", "400", "404", "405", "404", "400", "200"]
    assert size(store) == 2
    for index in (0, 2, 3, 4, 5, 6):
        assert refusal(entries(answer)[index])["diagnostics"]
    assert "orla" not in str([each["response"] for each in entries(answer)])


def test_a_fault_at_one_entry_leaves_the_others(
    post: Post, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from cds_service.service import deciding as module

    real, calls = module.decide, iter([False, True, False])

    def fail(*given: Any, **named: Any) -> Any:
        if next(calls):
            raise ZeroDivisionError("Orla Fenn")
        return real(*given, **named)

    monkeypatch.setattr(module, "decide", fail)
    answer = post(batch(PLAN, PLAN, PLAN), x_request_id="tolm-ford-7")

    assert statuses(answer) == ["200", "500", "200"]
    failed = entries(answer)[1]["response"]["outcome"]["issue"][0]
    assert (failed["severity"], "paper chart" in failed["diagnostics"]) == ("fatal", True)
    assert "tolm-ford-7" in caplog.text
    assert "Orla" not in caplog.text + str(failed)


def test_a_log_that_takes_nothing_means_no_recommendation_in_any_entry(
    post: Post, tmp_path: Path
) -> None:
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        answer = post(batch(PLAN, asks("GET", "CodeSystem/finding"), PLAN))

    assert statuses(answer) == ["503", "200", "503"]
    assert "GuidanceResponse" not in answer.text
    assert refusal(entries(answer)[0])["code"] == "transient"


def test_artefacts_and_the_log_are_read_in_a_batch(post: Post, call: Call) -> None:
    post(batch(PLAN))
    one = call("GET", "/fhir/CodeSystem/finding")
    etag = one.headers["etag"]
    answer = post(
        batch(
            asks("GET", "CodeSystem/finding"),
            asks("GET", "CodeSystem/finding", ifNoneMatch=etag),
            asks("GET", f"CodeSystem?url={BASE}/CodeSystem/finding"),
            asks("GET", "AuditEvent/log-0"),
            asks("GET", "metadata"),
            asks("HEAD", "CodeSystem/finding"),
            asks("GET", "CodeSystem/finding?_format=xml"),
        )
    )

    assert statuses(answer) == ["200", "304", "200", "200", "200", "200", "406"]
    read, unchanged, found, event, *_, head, _ = entries(answer)
    assert (read["resource"], read["response"]["etag"]) == (one.json(), etag)
    assert unchanged == {"response": {"status": "304", "etag": etag}}
    assert found["resource"]["total"] == 1
    assert event["resource"]["id"] == "log-0"
    assert head == {"response": {"status": "200", "etag": etag}}


def test_feedback_is_given_in_a_batch(post: Post, store: SqliteStore) -> None:
    first = entries(post(batch(PLAN)))[0]["resource"]["entry"][0]["resource"]
    feedback = orjson.loads(said(**ACCEPTED))
    answer = post(batch(asks("POST", f"GuidanceResponse/{first['id']}/$feedback", feedback)))

    assert statuses(answer) == ["200"]
    assert entries(answer)[0]["response"]["location"] == "AuditEvent/log-1"
    assert size(store) == 2


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


def test_an_empty_batch_has_an_empty_answer(post: Post) -> None:
    assert entries(post(batch())) == []
    assert entries(post(b'{"resourceType":"Bundle","type":"batch","entry":[]}')) == []


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


def test_the_address_may_end_with_a_slash(call: Call) -> None:
    assert statuses(call("POST", "/fhir/", content=batch(PLAN), headers=JSON)) == ["200"]


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


def test_the_language_and_the_request_id_are_those_of_the_batch(post: Post) -> None:
    answer = post(batch(PLAN), accept_language="sw", x_request_id="upper-brenna-3")

    told = [each["resource"] for each in entries(answer)[0]["resource"]["entry"]]
    assert "sw" in {each.get("language") for each in told}
    assert answer.headers["x-request-id"] == "upper-brenna-3"


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


class TestRetries:
    """The key of an entry is the batch's with the entry's number: each is a retry by itself."""

    def test_a_retry_is_answered_from_the_log(self, post: Post, store: SqliteStore) -> None:
        sent = batch(PLAN, asks("GET", "CodeSystem/finding"), asks("POST", NOTE, parameters()))
        first, again = (post(sent, idempotency_key=KEY) for _ in range(2))

        assert again.content == first.content
        assert "idempotency-replayed" not in first.headers
        assert again.headers["idempotency-replayed"] == "true"
        assert size(store) == 2

    def test_the_same_plan_twice_in_a_batch_is_two_entries(
        self, post: Post, store: SqliteStore
    ) -> None:
        assert statuses(post(batch(PLAN, PLAN), idempotency_key=KEY)) == ["200", "200"]
        assert size(store) == 2

    def test_an_entry_that_was_refused_is_made_when_it_was_mended(
        self, post: Post, store: SqliteStore
    ) -> None:
        post(batch(PLAN, asks("POST", APPLY, {"resourceType": "Basic"})), idempotency_key=KEY)
        again = post(batch(PLAN, PLAN), idempotency_key=KEY)

        assert statuses(again) == ["200", "200"]
        assert "idempotency-replayed" not in again.headers  # not all of it was there
        assert size(store) == 2

    def test_an_entry_that_is_another_is_refused_and_the_rest_is_not(
        self, post: Post, store: SqliteStore
    ) -> None:
        post(batch(PLAN, PLAN), idempotency_key=KEY)
        other = asks("POST", APPLY, parameters(asOf={"valueDateTime": AT.replace("09", "10")}))
        again = post(batch(PLAN, other), idempotency_key=KEY)

        assert statuses(again) == ["200", "422"]
        assert refusal(entries(again)[1])["code"] == "conflict"
        assert size(store) == 2

    def test_a_key_is_120_letters_at_most(self, post: Post, store: SqliteStore) -> None:
        assert statuses(post(batch(PLAN), idempotency_key="k" * 120)) == ["200"]
        refused = post(batch(PLAN), idempotency_key="k" * 121)
        assert (refused.status_code, "120" in issue(refused)["diagnostics"]) == (400, True)
        assert post(batch(PLAN), idempotency_key="short").status_code == 400
        assert size(store) == 1


def test_a_single_call_is_not_kept_waiting_by_a_large_batch(service: Service) -> None:
    app = make_app(service, max_body=2_000_000)
    transport = httpx.ASGITransport(app=app)
    done: list[str] = []

    async def asked(path: str, content: bytes, name: str) -> None:
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
            answer = await client.post(path, content=content, headers=JSON)
        assert answer.status_code == 200
        done.append(name)

    async def both() -> None:
        large = asyncio.create_task(asked("/fhir", batch(*[PLAN] * 60), "batch"))
        await asyncio.sleep(0.001)
        await asked(PATH, body(), "single")
        await large

    asyncio.run(both())
    assert done == ["single", "batch"]
