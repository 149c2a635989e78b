"""A retry is answered from the log (draft-ietf-httpapi-idempotency-key-header-07)."""

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from cds_service.audit.record import Origin
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Logged
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import entry_at, open_log

from .conftest import ACCEPTED, JSON, NOW, Call, call_app, issue, protocol, said
from .sample import BASE, PATH, body, bundle

KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
"""The example of the draft, section 2.1."""
NOTE = PATH.replace("$apply", "$referral-note")


def entries(store: SqliteStore) -> int:
    return asyncio.run(store.size())


def test_a_retry_gives_the_same_bytes_and_no_second_entry(post: Call, store: SqliteStore) -> None:
    first, second = post(idempotency_key=KEY), post(idempotency_key=KEY)

    assert (first.status_code, second.status_code) == (200, 200)
    assert second.content == first.content
    for name in ("cds-log-index", "cds-decision-id", "content-language", "content-type"):
        assert second.headers[name] == first.headers[name]
    assert "idempotency-replayed" not in first.headers
    assert second.headers["idempotency-replayed"] == "true"
    assert entries(store) == 1


def test_a_retry_later_is_still_the_stored_answer(
    service: Service, post: Call, store: SqliteStore, call: Call
) -> None:
    # Without `asOf` the time of the decision is the service's clock: asked anew, the answer
    # would be another one.
    now = [NOW]
    service.clock = lambda: now[0]
    first = post(orjson.dumps(bundle()), idempotency_key=KEY)
    now[0] = NOW.replace(hour=9)

    assert post(orjson.dumps(bundle())).content != first.content
    assert post(orjson.dumps(bundle()), idempotency_key=KEY).content == first.content
    assert entries(store) == 2


def test_the_checkpoint_of_a_retry_is_of_now(post: Call) -> None:
    first, _, again = post(idempotency_key=KEY), post(), post(idempotency_key=KEY)

    assert again.headers["cds-log-index"] == first.headers["cds-log-index"] == "0"
    assert again.headers["cds-log-checkpoint"] != first.headers["cds-log-checkpoint"]


@pytest.mark.parametrize(
    "other",
    [body() + b" ", orjson.dumps(bundle())],
    ids=["one more blank", "another request"],
)
def test_the_key_with_another_body_is_refused(post: Call, store: SqliteStore, other: bytes) -> None:
    post(idempotency_key=KEY)
    answer = post(other, idempotency_key=KEY)

    assert answer.status_code == 422
    assert issue(answer)["code"] == "conflict"
    assert "GuidanceResponse" not in answer.text
    assert entries(store) == 1


def test_the_key_with_another_handling_is_refused(post: Call) -> None:
    post(idempotency_key=KEY)

    assert post(idempotency_key=KEY, prefer="handling=strict").status_code == 422


def test_the_key_of_another_operation_is_refused(call: Call, post: Call) -> None:
    decision = post(idempotency_key=KEY).headers["cds-decision-id"]
    headers = JSON | {"idempotency-key": KEY}

    assert call("POST", NOTE, content=body(), headers=headers).status_code == 422
    address = f"/fhir/GuidanceResponse/{decision}/$feedback"
    assert call("POST", address, content=said(**ACCEPTED), headers=headers).status_code == 422


def test_the_referral_note_has_retries_too(call: Call, store: SqliteStore) -> None:
    headers = JSON | {"idempotency-key": KEY}
    first, second = (call("POST", NOTE, content=body(), headers=headers) for _ in range(2))

    assert first.content == second.content
    assert second.headers["idempotency-replayed"] == "true"
    assert entries(store) == 1


def test_a_feedback_has_retries_too(call: Call, decision: str, store: SqliteStore) -> None:
    address, headers = (
        f"/fhir/GuidanceResponse/{decision}/$feedback",
        JSON | {"idempotency-key": KEY},
    )
    first, second = (
        call("POST", address, content=said(**ACCEPTED), headers=headers) for _ in range(2)
    )

    assert first.content == second.content
    assert first.headers["cds-log-index"] == second.headers["cds-log-index"] == "1"
    assert second.headers["idempotency-replayed"] == "true"
    assert entries(store) == 2


def test_a_refused_request_leaves_its_key_free(post: Call, store: SqliteStore) -> None:
    assert post(b"{", idempotency_key=KEY).status_code == 400
    assert post(idempotency_key=KEY).status_code == 200
    assert entries(store) == 1


def test_a_key_whose_entry_was_erased_is_gone(
    post: Call, service: Service, store: SqliteStore
) -> None:
    post(idempotency_key=KEY)
    asyncio.run(service.erase(0, "on request"))
    answer = post(idempotency_key=KEY)

    assert answer.status_code == 410
    assert issue(answer)["code"] == "deleted"
    assert answer.headers["link"] == '</log/proof/inclusion/0>; rel="related"'
    assert entries(store) == 2


def test_an_altered_answer_never_leaves(
    post: Call, store: SqliteStore, caplog: pytest.LogCaptureFixture
) -> None:
    post()
    recorded = entry_at(store, 0)
    dose = recorded.response.replace(b"gentamicin", b"amikacin")
    assert dose != recorded.response
    # Its hash is still that of what was answered.
    asyncio.run(store.append(replace(recorded, response=dose, key=KEY.strip('"'))))
    answer = post(idempotency_key=KEY)

    assert answer.status_code == 503
    assert "amikacin" not in answer.text
    assert "entry 1 of the log was altered: verify the log" in caplog.text
    assert entries(store) == 2


@pytest.mark.parametrize(
    "key",
    [
        "",
        "  ",
        '""',
        "short",
        '"short"',
        "x" * 129,
        f'"{"x" * 129}"',
        f"{KEY}, {KEY}",
        f"{KEY};a=1",
        f"'{'x' * 20}'",
        '"orla fenn 2026-02-20"',
        '"\'; DROP TABLE entry; --"',
        '"' + "ä" * 20 + '"',
        '"unclosed-unclosed-unclosed',
    ],
)
def test_a_key_of_another_form_is_refused(post: Call, store: SqliteStore, key: str) -> None:
    answer = post(idempotency_key=key.encode("latin-1"))

    assert answer.status_code == 400
    assert issue(answer)["code"] == "value"
    assert entries(store) == 0


def test_the_bare_key_is_the_quoted_one(post: Call, store: SqliteStore) -> None:
    post(idempotency_key=KEY)

    assert post(idempotency_key=KEY.strip('"')).headers["idempotency-replayed"] == "true"


def test_a_key_is_its_callers_own(service: Service, store: SqliteStore) -> None:
    headers = JSON | {"idempotency-key": KEY}
    asked = [
        make_app(service, who=lambda _, origin=origin: origin)
        for origin in (Origin(), Origin("a"), Origin("a", "desk"), Origin("b", "desk"))
    ]
    answers = [call_app(app, "POST", PATH, content=body(), headers=headers) for app in asked]

    assert [each.headers["cds-log-index"] for each in answers] == ["0", "1", "2", "3"]
    again = call_app(asked[2], "POST", PATH, content=body(), headers=headers)
    assert again.headers["cds-log-index"] == "2"


async def at_once(apps: list[Any], bodies: list[bytes]) -> list[httpx.Response]:
    """One request to each application, all at the same moment."""

    async def one(app: Any, content: bytes) -> httpx.Response:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
            headers = JSON | {"idempotency-key": KEY}
            return await client.post(PATH, content=content, headers=headers)

    return await asyncio.gather(*map(one, apps, bodies))


def test_of_many_at_the_same_moment_one_is_recorded(service: Service, store: SqliteStore) -> None:
    answers = asyncio.run(at_once([make_app(service)] * 12, [body()] * 12))

    assert {each.status_code for each in answers} == {200}
    assert len({each.content for each in answers}) == 1
    assert {each.headers["cds-log-index"] for each in answers} == {"0"}
    assert sum("idempotency-replayed" in each.headers for each in answers) == 11
    assert entries(store) == 1


def test_of_two_bodies_at_the_same_moment_one_is_refused(
    service: Service, store: SqliteStore
) -> None:
    answers = asyncio.run(at_once([make_app(service)] * 2, [body(), body() + b" "]))

    assert [each.status_code for each in answers] == [200, 422]
    assert entries(store) == 1


def test_the_second_is_answered_when_the_first_was_refused(
    service: Service, store: SqliteStore
) -> None:
    answers = asyncio.run(at_once([make_app(service)] * 2, [b"{", body()]))

    assert [each.status_code for each in answers] == [400, 200]
    assert entries(store) == 1


@pytest.fixture
def other(tmp_path: Path, store: SqliteStore) -> Iterator[Service]:
    """Another process on the same log: all that it shares with the first is the file."""
    opened = open_log(tmp_path / "log.db", wait=5)
    yield Service(protocol(), opened, base=BASE, code_version="0.1.0", clock=lambda: NOW)
    asyncio.run(opened.close())


def test_a_retry_at_another_process_is_answered_from_the_log(
    post: Call, other: Service, store: SqliteStore
) -> None:
    first = post(idempotency_key=KEY)
    again = call_app(
        make_app(other), "POST", PATH, content=body(), headers=JSON | {"idempotency-key": KEY}
    )

    assert again.content == first.content
    assert again.headers["idempotency-replayed"] == "true"
    assert entries(store) == 1


@pytest.mark.parametrize(("second", "status"), [(body(), 200), (body() + b" ", 422)])
def test_of_two_processes_that_both_found_nothing_one_records(
    service: Service,
    other: Service,
    store: SqliteStore,
    monkeypatch: pytest.MonkeyPatch,
    second: bytes,
    status: int,
) -> None:
    async def nothing(*_: str) -> Logged | None:
        return None

    for each in (service, other):
        monkeypatch.setattr(each.store, "by_key", nothing)
    service.store = store
    answers = asyncio.run(at_once([make_app(service), make_app(other)], [body(), second]))

    codes = sorted(each.status_code for each in answers)
    assert codes == sorted([200, status])
    assert entries(store) == 1
    if status == 200:
        assert answers[0].content == answers[1].content
        assert sum("idempotency-replayed" in each.headers for each in answers) == 1
