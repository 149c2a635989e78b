"""Refused tokens: so many of one address, and a good one of the same address at any time."""

import asyncio
import logging
from typing import Any

import httpx
import pytest

from cds_service.service import Service
from cds_service.web.app import make_app
from cds_service.web.crowd import Bounds
from cds_service.web.refusals import Refusals, network
from tests.access.tokens import access, of_server, server, signed

from .conftest import issue

CLINIC = ("192.0.2.7", 5000)
"""An address of TEST-NET-1 (RFC 5737)."""


class Door:
    """The application as it is asked from one address or another."""

    def __init__(self, service: Service, refused: str = "3/minute") -> None:
        self._app = make_app(service, access=access(server()), bounds=Bounds(refused=refused))

    async def _ask(self, address: tuple[str, int], token: str | None) -> httpx.Response:
        transport = httpx.ASGITransport(app=self._app, client=address)
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as one:
            sent = {} if token is None else {"authorization": f"Bearer {token}"}
            return await one.get("/cds-services", headers=sent)

    def ask(self, token: str | None, address: tuple[str, int] = CLINIC) -> httpx.Response:
        return asyncio.run(self._ask(address, token))


BAD = "x.y.z"


def test_further_refusals_of_one_address_are_told_when_to_come_again(service: Service) -> None:
    door = Door(service)

    told = [door.ask(BAD) for _ in range(5)]

    assert [each.status_code for each in told] == [401, 401, 401, 429, 429]
    assert issue(told[-1])["code"] == "throttled"
    assert 1 <= int(told[-1].headers["retry-after"]) <= 21
    assert door.ask(None).status_code == 429, "no token at all is a refusal like any other"


def test_a_good_token_of_the_same_address_is_taken_at_any_time(service: Service) -> None:
    door = Door(service)
    for _ in range(20):
        door.ask(BAD)

    assert door.ask(BAD).status_code == 429
    assert door.ask(signed(of_server())).status_code == 200
    assert door.ask(BAD, ("192.0.2.8", 5000)).status_code == 401, "another address is another"


def test_what_is_open_and_what_is_good_is_not_counted(service: Service) -> None:
    door = Door(service)

    assert [door.ask(signed(of_server())).status_code for _ in range(9)] == [200] * 9
    assert door.ask(BAD).status_code == 401


def test_the_log_does_not_grow_with_what_is_held_back(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    door = Door(service)
    caplog.set_level(logging.WARNING, "cds_service.access")

    for _ in range(30):
        door.ask(BAD)

    assert len(caplog.messages) == 4
    assert "too many from one address" in caplog.messages[-1]
    assert CLINIC[0] not in caplog.text


def test_without_a_bound_each_refusal_is_one(service: Service) -> None:
    assert {Door(service, "").ask(BAD).status_code for _ in range(9)} == {401}


def scope(host: Any) -> dict[str, Any]:
    return {"client": (host, 1)}


def test_one_household_has_one_bound_also_with_ipv6() -> None:
    """RFC 6177: a site gets a /64 or more; it may take each of its addresses."""
    refusals = Refusals("1/hour", lambda: 0.0)

    assert refusals.wait(scope("2001:db8:0:7::1")) == 0
    assert refusals.wait(scope("2001:db8:0:7:ffff::9")) > 0
    assert refusals.wait(scope("2001:db8:0:8::1")) == 0


def test_an_address_of_ipv4_in_ipv6_is_one_of_its_own() -> None:
    """RFC 4291, 2.5.5.2."""
    assert network(scope("::ffff:192.0.2.7")) != network(scope("::ffff:192.0.2.8"))
    assert network(scope("not an address")) == "not an address"
