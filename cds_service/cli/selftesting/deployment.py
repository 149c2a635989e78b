"""A deployment as an integrator sees it: an address that answers over HTTP."""

import http.client
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlsplit

FHIR = {"Content-Type": "application/fhir+json"}
"""How a resource is declared."""
Json = Any
"""What JSON holds; decimals are kept as written."""
_T = TypeVar("_T")


class Wrong(Exception):
    """A check found something else than it expected; the text says what."""


class Skipped(Exception):
    """A check cannot be made here; the text says why."""


class Unreachable(Exception):
    """Nobody answers at the address."""


def expect(condition: object, otherwise: str) -> None:
    """Raise Wrong unless the condition holds."""
    if not condition:
        raise Wrong(otherwise)


class Reply(NamedTuple):
    """One answer; header names in lower case."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    def json(self) -> Json:
        """The body as JSON; raises Wrong."""
        try:
            return json.loads(self.body, parse_float=Decimal)
        except ValueError:
            raise Wrong(f"the answer ({self.status}) is no JSON") from None

    def good(self, status: int = 200) -> "Reply":
        """Itself; raises Wrong when the status is another one."""
        expect(self.status == status, f"expected {status}, found {self.status}")
        return self


@dataclass
class Deployment:
    """The service at `base`, an address with or without a path; `timeout` in seconds.

    `token` gives the token for one address, where callers must be known.
    """

    base: str
    timeout: float = 30
    token: Callable[[str], str] | None = None
    _known: dict[str, Any] = field(default_factory=dict)

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """One request; raises Skipped when a gateway asks who we are, or Unreachable."""
        address = urlsplit(self.base)
        sent = dict(headers or {}) | self._known_as(path)
        kind = http.client.HTTPSConnection if address.scheme == "https" else None
        line = (kind or http.client.HTTPConnection)(address.netloc, timeout=self.timeout)
        try:
            line.request(method, address.path.rstrip("/") + path, body, sent)
            answer = line.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            reply = Reply(answer.status, found, answer.read())
        except (OSError, http.client.HTTPException) as error:
            raise Unreachable(f"no answer to {method} {path}: {type(error).__name__}") from error
        finally:
            line.close()
        if reply.status in (401, 403):
            raise Skipped(f"{method} {path} is not permitted to this caller ({reply.status})")
        return reply

    def _known_as(self, path: str) -> dict[str, str]:
        if self.token is None:
            return {}
        # The address without its query: for that the token of a client is made out.
        at = f"{self.base.rstrip('/')}{path.partition('?')[0]}"
        return {"Authorization": f"Bearer {self.token(at)}"}

    def get(self, path: str, **headers: str) -> Reply:
        """GET; in names of headers `_` stands for `-`."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.ask("GET", path, headers=named)

    def post(self, path: str, resource: Json, **headers: str) -> Reply:
        """POST a resource, or bytes as they are."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        body = resource if isinstance(resource, bytes) else _bytes(resource)
        return self.ask("POST", path, body, FHIR | named)

    def once(self, name: str, make: Callable[[], _T]) -> _T:
        """What several checks look at, made by the first of them."""
        if name not in self._known:
            self._known[name] = make()
        known: _T = self._known[name]
        return known


def _bytes(resource: Json) -> bytes:
    return json.dumps(resource, default=float).encode()
