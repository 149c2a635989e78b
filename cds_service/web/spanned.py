"""The span of each request, as a part of the trace that the caller may have begun.

`traceparent` of the answer then names this very span, so that a collector puts both together.
`tracestate` is not taken into it: it is the caller's text.
"""

from collections.abc import Iterable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.service.spans import Parent, Spans
from cds_service.web.correlation import parent_of
from cds_service.web.measured import kind_of
from cds_service.web.replies import request_headers

_PARENT = b"traceparent"
_METHODS = ("GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE")
_WITHOUT = ("", "health", "metrics")
"""Kinds that are no spans: nobody waits for one, and each is asked for all the time."""
_OTHER = "_OTHER"
"""OpenTelemetry's word (semantic conventions, HTTP, from memory) for a method that is none."""


class Spanned:
    """`app`, each of whose requests is a span, but for health checks and measurements."""

    def __init__(self, app: ASGIApp, spans: Spans) -> None:
        self._app, self._spans = app, spans

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on within its span."""
        kind = kind_of(scope["path"]) if scope["type"] == "http" else ""
        if kind in _WITHOUT:
            await self._app(scope, receive, send)
            return
        parent = parent_of(request_headers(scope, (_PARENT,))[_PARENT])
        method = scope["method"] if scope["method"] in _METHODS else _OTHER
        with self._spans.request(parent and Parent(*parent)) as span:
            ours = _PARENT, span.traceparent.encode()

            async def finish(message: Message) -> None:
                if message["type"] == "http.response.start":
                    span.answered(kind, method, message["status"])
                    others = _without(message["headers"], _PARENT)
                    message = {**message, "headers": [*others, ours]}
                await send(message)

            # So what goes on inside, and stands in the operator's log, is of the same trace.
            headers = scope["headers"]
            if parent is None:
                headers = [*_without(headers, _PARENT, b"tracestate"), ours]
            await self._app({**scope, "headers": headers}, receive, finish)


def _without(headers: Iterable[tuple[bytes, bytes]], *names: bytes) -> list[tuple[bytes, bytes]]:
    return [pair for pair in headers if pair[0].lower() not in names]
