"""`/metrics`: what the process does, in the text format of Prometheus. No label names anybody.

https://prometheus.io/docs/instrumenting/exposition_formats/ is written by prometheus-client.
"""

import re
import time
from functools import cache, lru_cache

from fastapi import FastAPI
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.service import Service

PATH = "/metrics"
_KINDS = (
    ("health", r"/health/.*"),
    ("metrics", PATH),
    ("apply", r".*/\$apply"),
    ("referral-note", r".*/\$referral-note"),
    ("batch", r"/fhir/?"),
    ("hooks", r"/cds-services.*"),
    ("log", r"/fhir/(AuditEvent|GuidanceResponse).*|/log/.*|/records.*"),
    ("artefact", r"/fhir/.*"),
    ("page", r"/|/static/.*|/try.*|/docs.*|/openapi\.json"),
)
"""Kinds of addresses, the first that fits: a label has few values, and no id in it."""
_PATTERNS = tuple((kind, re.compile(pattern)) for kind, pattern in _KINDS)
_LONGEST = 200
"""Letters of an address that are looked at, and kept: all of ours are shorter."""
_BUCKETS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10)
"""Seconds."""


@lru_cache(maxsize=512)
def kind_of(path: str) -> str:
    """What an address is of.

    >>> kind_of("/fhir/PlanDefinition/x/$apply"), kind_of("/fhir/AuditEvent/log-3")
    ('apply', 'log')
    >>> kind_of("/fhir/Library/x"), kind_of("/metrics"), kind_of("/wp-login.php")
    ('artefact', 'metrics', 'other')
    """
    return next((kind for kind, pattern in _PATTERNS if pattern.fullmatch(path)), "other")


class Measures:
    """What one process has done since it started."""

    def __init__(self, service: Service) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "cds_requests", "Requests answered.", ["kind", "status"], registry=self.registry
        )
        self.seconds = Histogram(
            "cds_request_seconds", "Seconds until the answer was sent.", ["kind"],
            buckets=_BUCKETS, registry=self.registry,
        )  # fmt: skip
        self.inside = Gauge(
            "cds_requests_in_progress", "Requests being answered now.", registry=self.registry
        )
        about = Gauge(
            "cds_content", "1, for the content and the code in use.",
            ["protocol", "digest", "version"], registry=self.registry,
        )  # fmt: skip
        protocol = service.protocol
        about.labels(protocol.name, protocol.digest, service.code_version).set(1)
        commits = Gauge(
            "cds_log_commits", "Durable commits of this process to the log.", registry=self.registry
        )
        commits.set_function(lambda: service.store.commits)


class Measured:
    """`app`, each of whose answers is counted and timed."""

    def __init__(self, app: ASGIApp, measures: Measures) -> None:
        self._app, self._measures = app, measures
        # Looking a series up by its labels takes longer than counting in it.
        self._seconds = cache(measures.seconds.labels)
        self._requests = cache(measures.requests.labels)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and measure it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began, status = time.perf_counter(), "none"

        async def finish(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = str(message["status"])
            await send(message)

        measures, kind = self._measures, kind_of(scope["path"][:_LONGEST])
        measures.inside.inc()
        try:
            await self._app(scope, receive, finish)
        finally:
            measures.inside.dec()
            self._seconds(kind).observe(time.perf_counter() - began)
            self._requests(kind, status).inc()


def add_routes(app: FastAPI, measures: Measures) -> None:
    """Add `/metrics`."""

    @app.get(
        PATH,
        tags=["operations"],
        response_class=Response,
        responses={200: {"description": "The measurements.", "content": {"text/plain": {}}}},
    )
    async def metrics() -> Response:
        """What this process has done since it started, for Prometheus."""
        return Response(generate_latest(measures.registry), media_type=CONTENT_TYPE_PLAIN_0_0_4)
