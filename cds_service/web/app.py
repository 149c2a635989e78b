"""The whole application: the operation on its fast way, everything else through FastAPI."""

from collections.abc import AsyncIterator, Collection, Mapping
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi_offline import FastAPIOffline
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.access.token import Access
from cds_service.service import Service
from cds_service.service.erasing import retention
from cds_service.service.spans import Spans
from cds_service.web import (
    audit,
    conformance,
    docs,
    guard,
    health,
    hooks,
    labels,
    log,
    measured,
    problems,
    reviewing,
    smart,
)
from cds_service.web.apply import APPLY, NOTE, Apply, path
from cds_service.web.batch import MAX_ENTRIES, PATH, Batch
from cds_service.web.correlation import Correlation
from cds_service.web.cors import Cors
from cds_service.web.crowd import Bounds, Crowd
from cds_service.web.here import Here
from cds_service.web.measured import Measured, Measures
from cds_service.web.rate import Rate
from cds_service.web.reading import Readings
from cds_service.web.records import Who, nobody
from cds_service.web.replies import COMMON, Reply, correlated
from cds_service.web.representation import Quick, Ready
from cds_service.web.site import statics
from cds_service.web.site.records import routes as records_pages
from cds_service.web.site.trying import routes as trying
from cds_service.web.spanned import Spanned

_SILENT = dict.fromkeys(("tracing", "metrics", "logs", "operation_spans", "auto_configure"), False)
"""FastAPI would send by OpenTelemetry whatever a variable of the environment asks it to: addresses
with patients in them, messages of faults. What may be sent is `web.spanned`."""
MAX_BODY = 1024 * 1024
"""Largest request in bytes unless the settings say otherwise."""


def make_app(
    service: Service,
    *,
    max_body: int = MAX_BODY,
    max_entries: int = MAX_ENTRIES,
    who: Who = nobody,
    origins: Collection[str] = (),
    access: Access | None = None,
    bounds: Bounds = Bounds(),  # noqa: B008 - frozen
    names: Collection[str] = (),
    spans: Spans | None = None,
) -> ASGIApp:
    """The application for one service; it closes the service's log when it shuts down.

    `max_entries` are the most of one batch. `access` checks tokens; without it everybody may do
    everything, and `who` says of whom a request is. `origins` are those whose pages may call CDS
    Hooks, `bounds` what is taken on at once. `names`: only who asks by one of these names is
    answered, and no page of another site may write; none: whatever it is called, for callers with
    tokens. `spans` times each request.
    """
    if access is not None:
        who = guard.who
    operations: dict[str, ASGIApp] = {
        path(service, code): Apply(service, max_body, code, who) for code in (APPLY, NOTE)
    }
    measures = Measures(service)
    rest, whole = _rest(service, max_body, who, access, measures)
    inner = _Outer(operations, whole, rest)
    # Each entry of a batch needs the right to what it asks for, and is recorded when it reads.
    each: ASGIApp = inner
    if access is not None:
        each = guard.Allowed(Readings(inner, service, who))
    inner.add(Batch(each, max_body, max_entries), PATH, f"{PATH}/")
    outer = Rate(each, bounds.rate) if bounds.rate else each
    if access is not None:
        outer = guard.Guard(outer, access, bounds.refused)
    if names:
        outer = Here(outer, names, origins, hooks.PATH)
    outer = Measured(Crowd(outer, bounds), measures)
    if spans is not None:
        outer = Spanned(outer, spans)
    return Cors(outer, origins, hooks.PATH) if origins else outer


class _Outer:
    """Sends each request its way; gives what FastAPI answers the headers of every answer."""

    def __init__(
        self, operations: Mapping[str, ASGIApp], whole: Mapping[str, Ready], rest: FastAPI
    ) -> None:
        quick = {path: Quick(one, self._through_framework) for path, one in whole.items()}
        self._operations: dict[str, ASGIApp] = {**quick, **operations}
        self._rest = rest

    def add(self, app: ASGIApp, *paths: str) -> None:
        """Send what is asked at these addresses to one that asks this application in turn."""
        self._operations |= dict.fromkeys(paths, app)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._rest(scope, receive, send)
            return
        if not scope["path"].isprintable():
            # To the framework `/metrics` and a line break is `/metrics`, to the table of roles not.
            nothing = problems.not_found()
            await Reply(nothing.status, nothing.body).send(
                send, correlated(scope), head=scope["method"] == "HEAD"
            )
            return
        operation = self._operations.get(scope["path"], self._through_framework)
        await operation(scope, receive, send)

    async def _through_framework(self, scope: Scope, receive: Receive, send: Send) -> None:
        given = correlated(scope)
        head = scope["method"] == "HEAD"
        answered = False

        async def finish(message: Message) -> None:
            nonlocal answered
            answered = True
            if message["type"] == "http.response.start":
                message = {**message, "headers": _with_common(message["headers"], given)}
            elif head:
                message = {**message, "body": b""}
            await send(message)

        # HEAD is GET without the body (RFC 9110, 9.3.2); the framework has no routes for it.
        routed = {
            **scope,
            problems.CORRELATION: given,
            "method": "GET" if head else scope["method"],
        }
        try:
            await self._rest(routed, receive, finish)
        except Exception:
            # The framework has answered by `problems` and hands the fault on only for a log
            # that would print what the caller sent.
            if not answered:
                raise


def _with_common(
    headers: list[tuple[bytes, bytes]], given: Correlation
) -> list[tuple[bytes, bytes]]:
    present = {name.lower() for name, _ in headers}
    missing = [pair for pair in COMMON if pair[0] not in present]
    return [*headers, *missing, *given.headers]


def _rest(
    service: Service, max_body: int, who: Who, access: Access | None, measures: Measures
) -> tuple[FastAPI, dict[str, Ready]]:
    """Everything but the operation; and what may be sent from memory, by its address."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with retention(service.retention_days, service.erase_old):
            yield
        await service.store.close()
        if access is not None:
            access.close()

    app = FastAPIOffline(
        title="cds-service",
        version=service.code_version,
        description=docs.DESCRIPTION,
        docs_url="/docs",
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
        telemetry=_SILENT,
    )
    problems.add_handlers(app)
    whole = conformance.add_routes(app, service, secured=access is not None)
    auditor = audit.Audit(service, who)
    # Before the reads: `$replay` is no id.
    operations = reviewing.Reviewing(service, auditor, max_body, who)
    reviewing.add_routes(app, operations)
    labels.add_routes(app, labels.Labels(service, who))
    audit.add_routes(app, auditor)
    log.add_routes(app, service, who)
    hooks.add_routes(app, hooks.Hooks(service, max_body, who))
    health.add_routes(app, service)
    measured.add_routes(app, measures)
    statics.add_routes(app)
    smart.add_routes(app, access.issuers if access is not None else ())
    trying.add_routes(app, service, who)
    records_pages.add_routes(app, service, operations, who)
    docs.describe(app, service)
    return app, whole
