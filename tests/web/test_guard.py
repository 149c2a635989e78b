"""Who is let through to what, over HTTP: by tokens of invented record systems."""

import asyncio
import json
import logging
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from cds_service.access.roles import Role
from cds_service.errors import LogUnavailable
from cds_service.service import Service
from cds_service.web.app import make_app
from cds_service.web.rules import ANYONE, OPEN, needed
from tests.access.hostile import hostile
from tests.access.tokens import (
    APPLY,
    Remembered,
    access,
    claims,
    client,
    of_server,
    signed,
)

from .conftest import call_app
from .sample import body

JSON = {"content-type": "application/fhir+json"}
IDS = ("x-request-id", "traceparent", "tracestate")
Call = Callable[..., httpx.Response]


def calling(service: Service, **options: Any) -> Call:
    app = make_app(service, access=access(**options))
    return lambda method, path, **more: call_app(app, method, path, **more)


@pytest.fixture
def call(service: Service) -> Call:
    return calling(service)


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def of_role(*roles: str, **more: Any) -> dict[str, str]:
    scope = " ".join(f"cds/{role}" for role in roles)
    return bearer(signed(of_server(scope=scope, **more)))


def test_a_client_gets_a_recommendation_with_a_token_for_that_very_address(call: Call) -> None:
    token = signed(claims())

    answer = call("POST", APPLY, content=body(), headers=JSON | bearer(token))

    assert answer.status_code == 200
    again = call("POST", APPLY, content=body(), headers=JSON | bearer(token))
    assert again.status_code == 401


@pytest.mark.parametrize("spoiled", ["{0},", "{0} x", "{0}, Bearer {0}", "a {0}", "{0}!", '"{0}"'])
def test_what_stands_beside_a_good_token_is_not_passed_over(call: Call, spoiled: str) -> None:
    sent = bearer(spoiled.format(signed(claims())))

    assert call("POST", APPLY, content=body(), headers=JSON | sent).status_code == 401


def test_of_two_headers_none_is_taken(call: Call) -> None:
    good, line = signed(claims()), "authorization"
    for others in ("", "Basic eDp5", f"Bearer {good}"):
        lines = [(line, f"Bearer {good}"), (line, others), *JSON.items()]
        for headers in (lines, lines[::-1]):
            assert call("POST", APPLY, content=body(), headers=headers).status_code == 401


def test_who_called_stands_in_the_log(call: Call, service: Service) -> None:
    call("POST", APPLY, content=body(), headers=JSON | bearer(signed(claims())))
    logged = asyncio.run(service.store.get(0))

    assert logged is not None
    assert (logged.head.origin.tenant, logged.head.origin.caller) == ("marrow-vale", "tolm-ford")


def test_every_refusal_is_the_same(call: Call, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING, "cds_service.access")
    told = set()
    tokens = dict(hostile())
    for token in tokens.values():
        if token.isascii() and "\n" not in token:
            answer = call("POST", APPLY, content=body(), headers=JSON | bearer(token))
            same = {name: at for name, at in answer.headers.items() if name not in IDS}
            told.add((answer.status_code, answer.content, json.dumps(same)))
            assert answer.headers["x-request-id"] in caplog.messages[-1]
    for header in ({}, {"authorization": "Basic eDp5"}, {"authorization": "Bearer"}):
        answer = call("POST", APPLY, content=body(), headers=JSON | header)
        same = {name: at for name, at in answer.headers.items() if name not in IDS}
        told.add((answer.status_code, answer.content, json.dumps(same)))

    ((status, content, headers),) = told
    assert status == 401
    assert json.loads(content)["issue"][0]["code"] == "login"
    assert json.loads(headers)["www-authenticate"] == "Bearer"
    # Why it was refused is for the operator, and no token is written down.
    assert any("expired" in each for each in caplog.messages)
    assert not [name for name, token in tokens.items() if len(token) > 8 and token in caplog.text]


def test_a_refused_request_leaves_nothing_in_the_log(call: Call, service: Service) -> None:
    call("POST", APPLY, content=body(), headers=JSON | bearer("x.y.z"))

    assert asyncio.run(service.store.size()) == 0


@pytest.mark.parametrize(
    ("roles", "method", "path", "status"),
    [
        (["call"], "GET", "/fhir/AuditEvent", 403),
        (["administer"], "GET", "/fhir/AuditEvent", 403),
        (["audit"], "GET", "/fhir/AuditEvent", 200),
        (["audit"], "GET", "/fhir/GuidanceResponse", 200),
        (["call"], "GET", "/fhir/GuidanceResponse", 403),
        (["audit"], "POST", APPLY, 403),
        (["call"], "POST", APPLY, 415),
        (["audit"], "GET", "/cds-services", 403),
        (["call"], "GET", "/cds-services", 200),
        (["call"], "GET", "/log/checkpoint", 200),
        (["audit"], "GET", "/log/checkpoint", 200),
        (["administer"], "GET", "/log/checkpoint", 403),
        ([], "GET", "/log/checkpoint", 403),
        (["administer"], "GET", "/metrics", 200),
        (["call", "audit"], "GET", "/metrics", 403),
        (["call"], "GET", "/nothing/here", 404),
        ([], "GET", "/nothing/here", 403),
    ],
)
def test_each_role_may_do_its_own(
    call: Call, roles: list[str], method: str, path: str, status: int
) -> None:
    assert call(method, path, headers=of_role(*roles)).status_code == status


@pytest.mark.parametrize(
    "path",
    ["/health/live", "/health/ready", "/fhir/metadata", "/docs", "/openapi.json",
     "/fhir/StructureDefinition", "/.well-known/smart-configuration"],
)  # fmt: skip
def test_what_is_open_needs_no_token(call: Call, path: str) -> None:
    assert call("GET", path).status_code == 200
    assert call("HEAD", path).status_code == 200


def test_a_preflight_needs_no_token_and_a_refusal_reaches_the_page(service: Service) -> None:
    origin = {"origin": "https://record.example"}
    app = make_app(service, access=access(), origins=["https://record.example"])
    asked = origin | {"access-control-request-method": "POST"}

    assert call_app(app, "OPTIONS", "/cds-services", headers=asked).status_code == 204
    answer = call_app(app, "GET", "/cds-services", headers=origin)
    assert answer.status_code == 401
    assert answer.headers["access-control-allow-origin"] == "https://record.example"


def test_without_the_list_of_used_tokens_nobody_is_let_through(service: Service) -> None:
    class Broken(Remembered):
        def first(self, mark: bytes, until: int) -> bool:
            raise LogUnavailable("the list of used tokens cannot be written")

    call = calling(service, seen=Broken())
    answer = call("POST", APPLY, content=body(), headers=JSON | bearer(signed(claims())))

    assert answer.status_code == 503
    assert "retry-after" in answer.headers


def test_where_to_get_a_token(call: Call, service: Service) -> None:
    told = call("GET", "/.well-known/smart-configuration").json()

    # SMART App Launch 2.2, conformance.html: the required keys (from memory).
    assert told["token_endpoint"] == "https://login.marrow-vale.example/token"
    assert told["grant_types_supported"] == ["client_credentials"]
    assert "client-confidential-asymmetric" in told["capabilities"]
    assert set(told["token_endpoint_auth_signing_alg_values_supported"]) == {"RS384", "ES384"}
    assert told["code_challenge_methods_supported"] == ["S256"]
    nobody = make_app(service, access=access(client()))
    assert call_app(nobody, "GET", "/.well-known/smart-configuration").status_code == 404


def test_the_table_of_rules() -> None:
    assert needed("GET", "/fhir/PlanDefinition/sick-young-infant") is OPEN
    assert needed("POST", "/fhir") == {Role.CALL}
    assert needed("DELETE", "/fhir/Library/x") == ANYONE
    assert needed("GET", "/fhir/AuditEvent/../Library/x") == {Role.AUDIT}
    assert needed("GET", "//health/live") == ANYONE


def test_the_capability_statement_says_how_callers_are_known(call: Call, service: Service) -> None:
    (rest,) = call("GET", "/fhir/metadata").json()["rest"]
    (open_rest,) = call_app(make_app(service), "GET", "/fhir/metadata").json()["rest"]

    assert rest["security"]["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"
    assert "service" not in open_rest["security"]
