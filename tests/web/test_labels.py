"""Labels and leaflets over HTTP: made of what was recorded, and recorded before they leave."""

import asyncio
from typing import Any

import orjson
import pytest

from cds_service.audit.record import RENDERING, digest
from cds_service.service import Service
from tests.changing import replace

from .conftest import Call, issue
from .sample import bundle

GUIDANCE = "/fhir/GuidanceResponse"
OTHER = "00000000-0000-5000-8000-000000000000"


@pytest.fixture
def address(decision: str) -> str:
    return f"{GUIDANCE}/{decision}/label"


def recorded(service: Service, index: int) -> Any:
    logged = asyncio.run(service.store.get(index))
    assert logged is not None
    return logged


def named(**names: Any) -> dict[str, Any]:
    """The request with a name for its infant."""
    sent = bundle()
    sent["entry"][0]["resource"] |= names
    return sent


def test_the_answer_names_the_label_and_it_is_there(call: Call, post: Call) -> None:
    entries = post().json()["entry"]
    (found,) = [
        e["resource"] for e in entries if e["resource"]["resourceType"] == "DocumentReference"
    ]

    for content in found["content"]:
        answer = call("GET", f"/fhir/{content['attachment']['url']}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == content["attachment"]["contentType"]
        assert answer.content.startswith(b"%PDF-")


def test_what_leaves_is_recorded_with_its_hash(call: Call, address: str, service: Service) -> None:
    answer = call("GET", f"{address}?paper=58mm&lang=sw")
    logged = recorded(service, int(answer.headers["cds-log-index"]))

    assert logged.head.kind == RENDERING
    assert logged.head.about == 0
    assert orjson.loads(logged.entry.response) == {
        "contentType": "application/pdf",
        "size": len(answer.content),
        "sha256": digest(answer.content),
    }
    asked = orjson.loads(logged.entry.request)
    assert (asked["paper"], asked["language"], asked["name"]) == ("58mm", "sw", "sent")
    assert logged.entry.intact


def test_an_auditor_finds_who_printed_what(call: Call, address: str) -> None:
    index = call("GET", address).headers["cds-log-index"]
    page = call("GET", "/fhir/AuditEvent?subtype=rendering").json()

    (event,) = [entry["resource"] for entry in page["entry"]]
    assert event["id"] == f"log-{index}"
    assert {"reference": "AuditEvent/log-0"} in [entity["what"] for entity in event["entity"]]


def test_a_label_is_of_the_recommendation_and_never_decides_anew(
    call: Call, address: str, service: Service
) -> None:
    # The same bytes once more, while the clock goes on.
    first = call("GET", address).content

    assert call("GET", address).content == first


@pytest.mark.parametrize(
    ("accept", "media"),
    [
        ("", "application/pdf"),
        ("*/*", "application/pdf"),
        ("image/svg+xml", "image/svg+xml"),
        ("image/*", "image/svg+xml"),
        ("text/html,application/xhtml+xml,*/*;q=0.8", "text/html; charset=utf-8"),
        ("image/png;q=0.9, application/pdf;q=0.2", "image/png"),
    ],
)
def test_the_form_is_the_one_that_the_caller_accepts(
    call: Call, address: str, accept: str, media: str
) -> None:
    assert call("GET", address, headers={"accept": accept}).headers["content-type"] == media


def test_the_sheets_of_an_svg_are_counted(call: Call, address: str) -> None:
    answer = call("GET", f"{address}?format=svg&page=2")

    assert int(answer.headers["cds-pages"]) > 1
    assert answer.content.startswith(b"<svg")
    assert call("GET", f"{address}?format=svg&page=99").status_code == 422


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ("format=docx", 400, "value"),
        ("paper=a4", 400, "value"),
        ("words=some", 400, "value"),
        ("page=x", 400, "value"),
        ("size=large", 400, "value"),
        ("lang=en&lang=sw", 400, "value"),
        ("lang=xh", 422, "value"),
        ("entry=99", 404, "not-found"),
    ],
)
def test_a_question_that_is_not_understood_is_refused_and_not_recorded(
    call: Call, address: str, service: Service, query: str, status: int, code: str
) -> None:
    answer = call("GET", f"{address}?{query}")

    assert (answer.status_code, issue(answer)["code"]) == (status, code)
    assert asyncio.run(service.store.size()) == 1


def test_no_other_form_is_made(call: Call, address: str) -> None:
    answer = call("GET", address, headers={"accept": "application/fhir+json"})

    assert (answer.status_code, issue(answer)["code"]) == (406, "not-supported")


def test_there_is_no_label_of_an_unknown_decision(call: Call, decision: str) -> None:
    assert call("GET", f"{GUIDANCE}/{OTHER}/label").status_code == 404


def test_of_an_erased_entry_nothing_is_printed(call: Call, address: str, service: Service) -> None:
    call("GET", address)
    asyncio.run(service.erase(0, "on request"))

    gone = call("GET", f"{address}?entry=0")
    assert (gone.status_code, issue(gone)["code"]) == (410, "deleted")
    assert call("GET", address).status_code == 404
    assert recorded(service, 1).entry is None  # what was printed names the infant too


def test_a_name_that_cannot_be_printed_is_refused_and_a_blank_line_is_not(
    call: Call, post: Call
) -> None:
    sent = named(name=[{"text": "Wren \U0001f600"}])
    decision = post(orjson.dumps(sent)).json()["entry"][0]["resource"]["id"]

    refused = call("GET", f"{GUIDANCE}/{decision}/label")
    assert (refused.status_code, issue(refused)["code"]) == (422, "not-supported")
    assert "U+1F600" in issue(refused)["details"]["text"]
    assert call("GET", f"{GUIDANCE}/{decision}/label?name=blank").status_code == 200


def test_what_this_version_would_answer_otherwise_is_not_printed(
    call: Call, address: str, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cds_service.service import rendering

    again = rendering.decided_again

    def otherwise(*given: Any, **named: Any) -> Any:
        decided, body = again(*given, **named)
        return decided, body.replace(b'"text":"Gentamicin"', b'"text":"Other"').replace(
            b'"value":2.5', b'"value":9.5'
        )

    monkeypatch.setattr(rendering, "decided_again", otherwise)
    answer = call("GET", address)
    assert (answer.status_code, issue(answer)["code"]) == (422, "conflict")


def test_content_that_is_gone_prints_nothing(call: Call, address: str, service: Service) -> None:
    logged = recorded(service, 0)
    other = replace(logged.entry, content_digest="0" * 64)
    asyncio.run(service.store.append(other))

    answer = call("GET", f"{address}?entry=1")
    assert (answer.status_code, issue(answer)["code"]) == (422, "not-found")
