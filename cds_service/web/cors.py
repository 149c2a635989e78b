"""Browsers of other origins, by a setting: only for CDS Hooks, never with credentials.

The Fetch standard, "CORS protocol" (https://fetch.spec.whatwg.org/#http-cors-protocol). An origin
that is not listed gets the same answer without the headers, and its browser keeps it from the page.
"""

from collections.abc import Collection

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.web.replies import Reply, correlated, request_headers

_SHOWN = "Cds-Log-Index, Cds-Log-Checkpoint, Cds-Decision-Id, Traceparent, X-Request-Id"
_ALLOWED = {
    "access-control-allow-methods": "GET, POST",
    "access-control-allow-headers": "Accept-Language, Authorization, Content-Type, Traceparent, "
    "Tracestate, X-Request-Id",
    "access-control-max-age": "600",
}


class Cors:
    """Lets the pages of some origins call what lies below a path."""

    def __init__(self, app: ASGIApp, origins: Collection[str], path: str) -> None:
        self._app = app
        self._origins = frozenset(origins)
        self._path = path

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a preflight; give any other answer the headers that its origin may have."""
        if scope["type"] != "http" or not self._is_below(scope["path"]):
            await self._app(scope, receive, send)
            return
        wanted = (b"origin", b"access-control-request-method")
        headers = request_headers(scope, wanted)
        origin = headers[b"origin"]
        allowed = {"vary": "Origin"}
        if origin in self._origins:
            allowed["access-control-allow-origin"] = origin
        if scope["method"] == "OPTIONS" and headers[b"access-control-request-method"]:
            asked = allowed | (_ALLOWED if origin in self._origins else {})
            await Reply(204, headers=asked).send(send, correlated(scope))
            return
        if origin in self._origins:
            allowed["access-control-expose-headers"] = _SHOWN

        async def finish(message: Message) -> None:
            if message["type"] == "http.response.start":
                more = [(name.encode(), value.encode()) for name, value in allowed.items()]
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        await self._app(scope, receive, finish)

    def _is_below(self, path: str) -> bool:
        return path == self._path or path.startswith(f"{self._path}/")
