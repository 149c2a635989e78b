"""What every answer has in common, and how it goes out over ASGI."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from starlette.types import Scope, Send

from cds_service.web import negotiate
from cds_service.web.correlation import NAMES, Correlation, correlation

COMMON = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    # The pages need nothing from elsewhere, and nobody may put them in a frame.
    (
        b"content-security-policy",
        (
            b"default-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src 'none'; "
            b"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
        ),
    ),
    # An address may name an entry of the log: no other site need know of it.
    (b"referrer-policy", b"same-origin"),
)
"""Headers of every answer that does not set them otherwise."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One complete answer; header names in lower case."""

    status: int
    body: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)
    media_type: str = negotiate.FHIR_JSON

    async def send(self, send: Send, given: Correlation, *, head: bool = False) -> None:
        """Send it; `head`: the headers only."""
        headers = [(b"content-type", self.media_type.encode())] if self.body else []
        if self.status != 204:  # RFC 9110, 8.6
            headers.append((b"content-length", str(len(self.body)).encode()))
        headers += given.headers
        headers += COMMON
        headers += [(name.encode(), value.encode()) for name, value in self.headers.items()]
        await send({"type": "http.response.start", "status": self.status, "headers": headers})
        await send({"type": "http.response.body", "body": b"" if head else self.body})


def request_headers(scope: Scope, wanted: Iterable[bytes]) -> dict[bytes, str]:
    """The wanted headers, "" where absent; several lines of one are joined (RFC 9110, 5.2)."""
    found = dict.fromkeys(wanted, "")
    for name, value in scope["headers"]:
        if name in found:
            text = value.decode("latin-1")
            found[name] = f"{found[name]}, {text}" if found[name] else text
    return found


def header_lines(scope: Scope, wanted: bytes) -> list[str]:
    """Every line of one header; none when it is absent, which is not the same as empty."""
    return [value.decode("latin-1") for name, value in scope["headers"] if name == wanted]


def correlated(scope: Scope) -> Correlation:
    """The ids of a request."""
    return correlation(request_headers(scope, NAMES))
