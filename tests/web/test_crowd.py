"""What one process takes on: places, a queue, a time for bodies, a rate for each caller."""

import asyncio
from typing import Any

import httpx
import pytest
from starlette.types import Message, Receive, Scope, Send

from cds_service.service import Service
from cds_service.web.app import make_app
from cds_service.web.crowd import Bounds, Crowd
from cds_service.web.evenly import KEPT, Evenly
from cds_service.web.rate import Rate
from cds_service.web.replies import Reply, correlated
from tests.access.tokens import access, client, of_server, server, signed

from .conftest import call_app
from .sample import PATH, body

JSON = {"content-type": "application/fhir+json"}


class Held:
    """An application that answers when it is let go."""

    def __init__(self) -> None:
        self.go, self.inside, self.most = asyncio.Event(), 0, 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.inside += 1
        self.most = max(self.most, self.inside)
        await self.go.wait()
        self.inside -= 1
        await Reply(200, b"{}").send(send, correlated(scope))


async def several(app: Any, paths: list[str], then: Any) -> list[httpx.Response]:
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
        asked = [asyncio.ensure_future(client.get(path)) for path in paths]
        await asyncio.sleep(0.05)
        then()
        return await asyncio.gather(*asked)


def test_more_than_there_is_room_for_are_told_to_come_again() -> None:
    async def run() -> tuple[Held, list[httpx.Response]]:
        held = Held()
        app = Crowd(held, Bounds(most=2, waiting=3))
        return held, await several(app, ["/"] * 8, held.go.set)

    held, answers = asyncio.run(run())

    assert [each.status_code for each in answers] == [200] * 5 + [503] * 3
    assert held.most == 2
    assert answers[-1].headers["retry-after"] == "1"
    assert answers[-1].json()["issue"][0]["code"] == "throttled"


def test_afterwards_there_is_room_again_also_after_a_fault() -> None:
    async def faulty(scope: Scope, receive: Receive, send: Send) -> None:
        raise RuntimeError

    async def run() -> list[int]:
        app = Crowd(faulty, Bounds(most=1, waiting=0))
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as one:
            return [(await one.get("/")).status_code for _ in range(3)]

    assert asyncio.run(run()) == [500, 500, 500]


def test_who_looks_after_the_service_is_always_answered() -> None:
    async def run() -> list[httpx.Response]:
        held = Held()
        app = Crowd(held, Bounds(most=1, waiting=0))
        return await several(app, ["/", "/health/live", "/metrics", "/"], held.go.set)

    assert [each.status_code for each in asyncio.run(run())] == [200, 200, 200, 503]


@pytest.mark.parametrize("path", [PATH, "/cds-services/sick-young-infant-plan"])
def test_a_body_that_does_not_come_is_not_waited_for(service: Service, path: str) -> None:
    app = make_app(service, bounds=Bounds(patience=0.05))
    sent: list[Message] = []
    parts = [{"type": "http.request", "body": body()[:100], "more_body": True}]

    async def receive() -> Message:
        if parts:
            return parts.pop()
        await asyncio.sleep(60)
        raise AssertionError

    async def send(message: Message) -> None:
        sent.append(message)

    headers = [(b"content-type", b"application/json")]
    scope = {
        "type": "http", "method": "POST", "path": path, "headers": headers, "query_string": b"",
        "client": ("127.0.0.1", 1), "server": ("here.example", 80), "scheme": "http",
        "http_version": "1.1", "root_path": "", "raw_path": path.encode(),
    }  # fmt: skip
    asyncio.run(app(scope, receive, send))

    assert sent[0]["status"] == 408
    assert asyncio.run(service.store.size()) == 0


def test_each_caller_may_ask_so_often(service: Service) -> None:
    other = server(issuer="https://login.tolm.example", tenant="tolm")
    bounds = Bounds(rate="2/minute")
    app = make_app(service, access=access(client(), server(), other), bounds=bounds)

    def ask(**more: Any) -> httpx.Response:
        token = signed(of_server(**more))
        headers = {"authorization": f"Bearer {token}"}
        return call_app(app, "GET", "/cds-services", headers=headers)

    assert [ask().status_code for _ in range(3)] == [200, 200, 429]
    assert 1 <= int(ask().headers["retry-after"]) <= 61
    assert ask(iss=other.issuer).status_code == 200
    assert ask(client_id="another").status_code == 200


def test_without_tokens_the_machine_is_the_caller_and_health_is_free() -> None:
    async def fine(scope: Scope, receive: Receive, send: Send) -> None:
        await Reply(200, b"{}").send(send, correlated(scope))

    app = Rate(fine, "1/hour")

    told = [call_app(app, "GET", "/").status_code for _ in range(2)]
    assert told == [200, 429]
    assert call_app(app, "GET", "/health/live").status_code == 200


def test_a_rate_is_kept_to_the_second() -> None:
    """GCRA (ITU-T I.371, from memory): bursts up to the whole, then one in each part."""
    now = [100.0]
    rate = Evenly("3/minute", lambda: now[0])

    assert [rate.wait("a") for _ in range(4)] == [0, 0, 0, pytest.approx(20)]
    now[0] += 19.9
    assert rate.wait("a") == pytest.approx(0.1)
    assert rate.wait("b") == 0
    now[0] += 0.2
    assert rate.wait("a") == 0
    assert rate.wait("a") > 0
    now[0] += 3600
    assert [rate.wait("a") for _ in range(3)] == [0, 0, 0]


def test_callers_who_are_even_again_are_forgotten() -> None:
    now = [0.0]
    rate = Evenly("1/second", lambda: now[0])
    for number in range(KEPT):
        rate.wait(str(number))
    now[0] = 2.0

    rate.wait("last")

    assert len(rate._even) == 1


def test_however_many_there_are_no_more_are_known_and_who_asked_most_stays_known() -> None:
    rate = Evenly("2/hour", lambda: 0.0)
    for _ in range(2):
        rate.wait("greedy")
    for number in range(3 * KEPT):
        rate.wait(str(number))
        assert len(rate._even) <= KEPT

    assert rate.wait("greedy") > 0


@pytest.mark.parametrize(
    "rate", ["", "0/second", "ten/second", "10 per second", "10/week", "-1/day"]
)
def test_what_is_no_rate(rate: str) -> None:
    with pytest.raises(ValueError, match="rate"):
        Evenly(rate)


def test_within_its_bounds_everything_is_as_it_was(service: Service) -> None:
    app = make_app(service, bounds=Bounds(most=1, waiting=0, rate="100/second"))

    assert call_app(app, "POST", PATH, content=body(), headers=JSON).status_code == 200
