"""Calls of CDS Hooks over HTTP, and the cards of the answers."""

from typing import Any

import httpx

from tests.hooks import INSTANCE, plan_call, sent

from .conftest import Call
from .sample import body

PLAN = "/cds-services/sick-young-infant-plan"
JSON = {"content-type": "application/json"}
Json = dict[str, Any]


def asking(call: Call) -> Call:
    """Sends a call: that of the plan, unless another is given; headers beside the usual ones."""

    def send(asked: Json | bytes | None = None, path: str = PLAN, **headers: str) -> httpx.Response:
        content = asked if isinstance(asked, bytes) else sent(asked or plan_call(body()))
        return call("POST", path, content=content, headers=JSON | headers)

    return send


def cards(answer: httpx.Response) -> list[Json]:
    assert answer.status_code == 200, answer.text
    found: list[Json] = answer.json()["cards"]
    return found


def topics(answer: httpx.Response) -> dict[str, Json]:
    return {each["source"]["topic"]["code"]: each for each in cards(answer)}


def other(number: int) -> str:
    return f"{INSTANCE[:-2]}{number:02x}"
