"""Personal data stays out of logs, links and refusals; and what watches over that can fail."""

import logging

import httpx
import pytest

from cds_service.service import Service
from cds_service.web.app import make_app
from tests.access.tokens import access, of_server, signed

from .auditing import AUDIT, ORLA
from .canaries import CANARIES, check_answer, check_sections, found
from .conftest import JSON, Call, call_app
from .sample import BASE, PATH, body
from .test_guard import bearer


@pytest.mark.parametrize("canary", CANARIES)
def test_each_canary_is_seen_wherever_it_sits(canary: str) -> None:
    assert check_sections([("Captured log call", f"WARNING x: {canary.upper()} failed")])
    link = {"relation": "self", "url": f"http://here.example/?a={canary}"}
    for answer in (
        httpx.Response(400, text=f"what of {canary}?"),
        httpx.Response(200, headers={"location": f"/{canary}"}),
        httpx.Response(200, json={"link": [link]}, headers=JSON),
    ):
        with pytest.raises(AssertionError):
            check_answer(answer)


def test_an_answer_may_name_the_infant(call: Call) -> None:
    answer = call("POST", PATH, content=body(), headers=JSON)

    assert "orla-fenn" in answer.text  # else the canaries would watch nothing
    assert BASE in answer.text


def test_everything_that_the_service_logs_is_captured(caplog: pytest.LogCaptureFixture) -> None:
    logging.getLogger("cds_service.web").debug("a word of no importance")

    assert "a word of no importance" in caplog.text
    assert not check_sections([("log", caplog.text)])


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", f"{AUDIT}?patient={ORLA}&x=orla"),
        ("GET", f"{AUDIT}?patient={ORLA}&patient=orla-fenn"),
        ("GET", f"{AUDIT}?orla-fenn=2026-02-20"),
        ("GET", f"{AUDIT}/orla-fenn"),
        ("GET", "/fhir/GuidanceResponse/orla-fenn"),
        ("GET", "/log/entries/orla-fenn"),
        ("GET", "/orla-fenn?birthdate=2026-02-20"),
        ("POST", "/fhir/GuidanceResponse/orla-fenn/$replay"),
        ("PUT", f"{AUDIT}/orla-fenn"),
    ],
)
def test_what_a_caller_writes_into_an_address_is_not_repeated(
    call: Call, method: str, path: str
) -> None:
    answer = call(method, path, headers={"x-request-id": "orla fenn"})

    # `call` has looked at headers and links; here the whole answer is looked at.
    assert not [each for each in CANARIES if each in answer.text.lower()]


def test_measurements_and_lines_of_the_log_name_nobody(
    call: Call, service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    secured = make_app(service, access=access())
    told = bearer(signed(of_server(client_id="tolm-ford")))
    for path in (
        PATH,
        "/fhir/Patient/orla-fenn",
        "/orla-fenn",
        f"/records/{ORLA}",
        "/log/orla-fenn",
    ):
        for headers in ({}, bearer("orla-fenn.quill.marmalade"), told):
            call_app(secured, "GET", path, headers=headers | {"x-request-id": "orla fenn"})
        call("POST", path, content=b'{"orla-fenn": 2026-02-20}', headers=JSON)
    call("POST", PATH, content=body(), headers=JSON)
    measured = call("GET", "/metrics").text

    assert "refused" in caplog.text  # else nothing is looked at
    assert "cds_requests_total" in measured
    assert not found(caplog.text)
    assert not found(measured)
