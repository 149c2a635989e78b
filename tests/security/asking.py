"""Asks the application as ASGI has it, byte by byte: no client library tidies an address up."""

import asyncio
import json
from collections.abc import Iterable
from typing import Any, NamedTuple

import orjson

from cds_service.service import Service
from cds_service.web.app import make_app
from tests.access.tokens import of_server, signed
from tests.web.canaries import CANARIES

OTHER = "https://login.tolm.example"
JSON = (b"content-type", b"application/fhir+json")
FORM = (b"content-type", b"application/x-www-form-urlencoded")
Header = tuple[bytes, bytes]


class Told(NamedTuple):
    """One answer."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def names_the_infant(self) -> bool:
        return any(canary.encode() in self.body.lower() for canary in CANARIES)


def token(*roles: str, **claims: Any) -> Header:
    """The header of somebody with these roles; `iss=OTHER`: of the other organisation."""
    scope = " ".join(f"cds/{role}" for role in roles)
    return bearer(signed(of_server(scope=scope, **claims)))


def bearer(text: str) -> Header:
    return b"authorization", f"Bearer {text}".encode()


class Asking(NamedTuple):
    """One application."""

    app: Any
    service: Service

    @classmethod
    def of(cls, service: Service, **options: Any) -> "Asking":
        return cls(make_app(service, **options), service)

    def __call__(
        self, method: str, path: str, *headers: Header, content: bytes | Any = b"", query: str = ""
    ) -> Told:
        """`path` as the server hands it on: decoded."""
        content = content if isinstance(content, bytes) else orjson.dumps(content)
        return asyncio.run(self._asked(method, path, headers, content, query))

    async def _asked(
        self, method: str, path: str, headers: Iterable[Header], content: bytes, query: str
    ) -> Told:
        sent: list[dict[str, Any]] = []
        bodies = [content]
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": path.encode("utf-8", "replace"),
            "root_path": "", "query_string": query.encode(), "client": ("192.0.2.7", 4711),
            "server": ("here.example", 80), "headers": [(b"host", b"here.example"), *headers],
        }  # fmt: skip

        async def receive() -> dict[str, Any]:
            if not bodies:
                await asyncio.Event().wait()  # nobody hangs up
            return {"type": "http.request", "body": bodies.pop(), "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        await self.app(scope, receive, send)
        headers_told = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        body = b"".join(each.get("body", b"") for each in sent[1:])
        return Told(sent[0]["status"], headers_told, body)
