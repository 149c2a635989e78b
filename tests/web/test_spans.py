"""Spans for a collector: which there are, of which trace, and nothing in them that a caller sent.

W3C Trace Context for the parent; OTLP over HTTP (opentelemetry-proto, `POST /v1/traces`) read with
the messages of the package `opentelemetry-proto`.
"""

import asyncio
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest
from opentelemetry.sdk.trace import ReadableSpan
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from cds_service.audit.sqlite import SqliteStore
from cds_service.errors import LogUnavailable, SettingsError
from cds_service.service import Service
from cds_service.service.spans import Traced
from cds_service.settings import Settings, telemetry
from cds_service.settings.telemetry import Telemetry
from cds_service.web.app import make_app
from tests.served import served

from .canaries import found
from .conftest import JSON, NOW, call_app, protocol
from .sample import BASE, PATH, body

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
PARENT = f"00-{TRACE}-{SPAN}-01"


class Collected:
    """A service whose spans are kept here."""

    def __init__(self, store: SqliteStore) -> None:
        self._kept = InMemorySpanExporter()
        spans = Telemetry(SimpleSpanProcessor(self._kept))
        self.service = Traced(
            spans, protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW
        )
        self._app = make_app(self.service, spans=spans)

    def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        return call_app(self._app, method, path, **options)

    def send(self, method: str, path: str, **options: Any) -> int:
        """The same with a request that holds personal data, which the answer hands back."""

        async def once() -> int:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://a.example") as one:
                return (await one.request(method, path, **options)).status_code

        return asyncio.run(once())

    def post(self, **headers: str) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.ask("POST", PATH, content=body(), headers=JSON | named)

    def spans(self) -> dict[str, ReadableSpan]:
        return {each.name: each for each in self._kept.get_finished_spans()}


@pytest.fixture
def collected(store: SqliteStore) -> Collected:
    return Collected(store)


def ids(span: ReadableSpan) -> tuple[str, str]:
    return f"{span.context.trace_id:032x}", f"{span.context.span_id:016x}"


def test_a_recommendation_has_a_span_for_each_of_its_parts(collected: Collected) -> None:
    answer = collected.post(traceparent=PARENT)

    spans = collected.spans()
    assert list(spans) == ["read", "decide", "write", "record", "request"]
    whole = spans.pop("request")
    assert whole.parent is not None
    assert (f"{whole.parent.trace_id:032x}", f"{whole.parent.span_id:016x}") == (TRACE, SPAN)
    assert {each.parent.span_id for each in spans.values() if each.parent} == {
        whole.context.span_id
    }
    assert {ids(each)[0] for each in spans.values()} == {TRACE}
    assert dict(whole.attributes or {}) == {
        "cds.kind": "apply", "http.request.method": "POST", "http.response.status_code": 200,
    }  # fmt: skip
    # What the caller is told names this very span, once.
    assert answer.headers.get_list("traceparent") == [f"00-{TRACE}-{ids(whole)[1]}-01"]


def test_without_a_parent_the_trace_is_that_of_the_answer_and_of_the_log(
    collected: Collected, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("orla-fenn")

    monkeypatch.setattr("cds_service.service.deciding.decide", fail)
    answer = collected.post(tracestate="orla=fenn")

    whole = collected.spans()["request"]
    assert whole.parent is None
    trace, span = ids(whole)
    # 03 of level 2 of Trace Context: sampled, and the id is random.
    assert answer.headers["traceparent"] in (f"00-{trace}-{span}-01", f"00-{trace}-{span}-03")
    assert answer.headers["x-request-id"] == trace
    assert "tracestate" not in answer.headers
    assert f"trace {trace}" in caplog.text
    assert not whole.status.is_ok
    assert collected.spans()["decide"].events == ()


def test_what_the_caller_does_not_sample_is_not_sent(collected: Collected) -> None:
    answer = collected.post(traceparent=f"00-{TRACE}-{SPAN}-00")

    assert answer.status_code == 200
    assert answer.headers["traceparent"].startswith(f"00-{TRACE}-")
    assert answer.headers["traceparent"].endswith("-00")
    assert collected.spans() == {}


def test_nothing_that_a_caller_sent_is_in_a_span(
    collected: Collected, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    more = {
        "traceparent": PARENT, "tracestate": "orla=fenn", "x-request-id": "orla-fenn",
        "baggage": "patient=orla-fenn", "idempotency-key": '"orla-fenn-0123456789"',
        "user-agent": "marmalade",
    }  # fmt: skip
    assert collected.send("POST", PATH, content=body(), headers=JSON | more) == 200
    collected.send("ORLA", "/fhir/Patient/orla-fenn?name=quill")
    collected.send("GET", "/fhir/AuditEvent?patient=Patient/orla-fenn")
    collected.send("POST", PATH, content=b'{"orla": "fenn"}', headers=JSON)

    async def refuse(_: object) -> None:
        raise LogUnavailable("orla-fenn")

    monkeypatch.setattr(store, "append", refuse)
    assert collected.post(x="y").status_code == 503

    sent = [each.to_json() for each in collected._kept.get_finished_spans()]
    assert len(sent) >= 12
    assert not [each for each in sent if found(each)]
    assert '"_OTHER"' in "".join(sent)


def test_health_checks_and_measurements_are_no_spans(collected: Collected) -> None:
    for path in ("/health/live", "/health/ready", "/metrics"):
        assert collected.ask("GET", path).status_code == 200

    assert collected.spans() == {}


def test_a_batch_is_one_request_with_the_parts_of_each_entry(collected: Collected) -> None:
    entry = {
        "request": {"method": "POST", "url": PATH.removeprefix("/fhir/")},
        "resource": orjson.loads(body()),
    }
    batch = {"resourceType": "Bundle", "type": "batch", "entry": [entry] * 3}
    assert collected.ask("POST", "/fhir", json=batch, headers=JSON).status_code == 200

    spans = collected._kept.get_finished_spans()
    names = [each.name for each in spans]
    assert {name: names.count(name) for name in names} == {
        "read": 3, "decide": 3, "write": 3, "record": 3, "request": 1,
    }  # fmt: skip
    assert len({each.context.trace_id for each in spans}) == 1


def test_the_answer_is_the_same_with_spans_and_without(
    collected: Collected, service: Service
) -> None:
    assert collected.post().content == asyncio.run(service.recommend(body())).body


def test_without_a_collector_nothing_of_it_is_even_loaded() -> None:
    says = (
        "import sys; from cds_service.settings import Settings; from cds_service.web import app;"
        "assert Settings.read().spans() is None;"
        "assert not [each for each in sys.modules if each.startswith('opentelemetry.sdk')];"
        "assert 'cds_service.settings.telemetry' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", says], env={"HOME": "/nowhere"}, check=True)


def test_without_a_collector_a_service_is_the_plain_one(tmp_path: Path) -> None:
    settings = Settings(database_url=f"sqlite:///{tmp_path}/log.db")
    plain = settings.service(settings.spans())
    assert type(plain) is Service
    asyncio.run(plain.store.close())


def test_a_collector_without_the_packages_is_a_wrong_setting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "cds_service.settings.telemetry", None)
    settings = Settings(telemetry_url="http://127.0.0.1:4318/v1/traces")

    with pytest.raises(SettingsError, match=r"CDS_TELEMETRY_URL: .*cds-service\[telemetry\]"):
        settings.spans()


@contextmanager
def collecting(status: int = 200) -> Iterator[tuple[str, list[ExportTraceServiceRequest]]]:
    """A collector on this machine; what it got."""
    got: list[ExportTraceServiceRequest] = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            sent = self.rfile.read(int(self.headers["content-length"]))
            assert self.path == "/v1/traces"
            assert self.headers["content-type"] == "application/x-protobuf"
            got.append(ExportTraceServiceRequest.FromString(sent))
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Nothing is printed."""

    with HTTPServer(("127.0.0.1", 0), Collector) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/v1/traces", got
        server.shutdown()
        thread.join()


def test_the_running_service_sends_them_to_a_collector(tmp_path: Path) -> None:
    with collecting() as (url, got):
        # What FastAPI would send by itself is not ours to send: it has addresses and faults.
        its = {
            "FASTAPI_OTEL_AUTO_CONFIGURE": "true",
            "OTEL_EXPORTER_OTLP_ENDPOINT": url.removesuffix("/v1/traces"),
        }
        with served(tmp_path, CDS_TELEMETRY_URL=url, **its) as at:
            httpx.get(f"{at.address}/fhir/AuditEvent?patient=Patient/orla-fenn")
            sent = JSON | {"traceparent": PARENT}
            answer = httpx.post(f"{at.address}{PATH}", content=body(), headers=sent)
            assert answer.status_code == 200
            at.process.terminate()
            assert at.process.wait(20) == 0
        spans = [
            (span.name, span.trace_id.hex())
            for each in got
            for resource in each.resource_spans
            for scope in resource.scope_spans
            for span in scope.spans
        ]
    assert [name for name, _ in spans].count("request") == 2
    assert sorted(each for each in spans if each[1] == TRACE) == [(name, TRACE) for name in sorted(
        ("read", "decide", "write", "record", "request")
    )]  # fmt: skip
    assert not found(str(got))


def test_a_collector_that_is_not_there_holds_up_nobody(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(telemetry, "_PATIENCE", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        spans = telemetry.sending_to(f"http://127.0.0.1:{silent.getsockname()[1]}/v1/traces")
        app = make_app(Traced(spans, protocol(), store, base=BASE, code_version="1"), spans=spans)
        assert call_app(app, "POST", PATH, content=body(), headers=JSON).status_code == 200
        began = time.monotonic()
        spans.close()
        assert time.monotonic() - began < 3
