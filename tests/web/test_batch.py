"""A batch at the base (FHIR R4 http.html#transaction, bundle.html bdl-3; rules from memory)."""

import asyncio
import base64
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from cds_service.audit.record import digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from cds_service.web.app import make_app
from tests.logs import entry_at

from .batches import APPLY, NOTE, PLAN, Post, asks, batch, entries, posting, refusal, size, statuses
from .conftest import ACCEPTED, JSON, Call, issue, said
from .sample import AT, BASE, PATH, body, parameters

KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture
def post(call: Call) -> Post:
    return posting(call)


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


def test_an_empty_batch_has_an_empty_answer(post: Post) -> None:
    assert entries(post(batch())) == []
    assert entries(post(b'{"resourceType":"Bundle","type":"batch","entry":[]}')) == []


def test_the_address_may_end_with_a_slash(call: Call) -> None:
    assert statuses(call("POST", "/fhir/", content=batch(PLAN), headers=JSON)) == ["200"]


def test_the_language_and_the_request_id_are_those_of_the_batch(post: Post) -> None:
    answer = post(batch(PLAN), accept_language="sw", x_request_id="upper-brenna-3")

    told = [each["resource"] for each in entries(answer)[0]["resource"]["entry"]]
    assert "sw" in {each.get("language") for each in told}
    assert answer.headers["x-request-id"] == "upper-brenna-3"


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
