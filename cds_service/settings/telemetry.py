"""Spans by OpenTelemetry, sent by OTLP over HTTP; the only user of the extra `telemetry`.

What is sampled, and headers for the collector, are set by OpenTelemetry's own variables
(`OTEL_TRACES_SAMPLER`, `OTEL_EXPORTER_OTLP_HEADERS`); without them everything is sent but what
belongs to a trace whose caller says that it is not sampled.
"""

import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext

from opentelemetry import trace
from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import SERVICE_NAME, SERVICE_VERSION, Resource
from opentelemetry.sdk.trace import SpanProcessor, TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor
from opentelemetry.trace import NonRecordingSpan, Span, SpanContext, SpanKind, Status, StatusCode

from cds_service import __version__
from cds_service.service.spans import Parent, RequestSpan

_PATIENCE = 2.0
"""Seconds for one sending, and at the end for all that is left: a start or stop waits no longer."""


class Telemetry:
    """See `service.spans.Spans`."""

    def __init__(self, processor: SpanProcessor) -> None:
        resource = Resource.create({SERVICE_NAME: "cds-service", SERVICE_VERSION: __version__})
        self._provider = TracerProvider(resource=resource, shutdown_on_exit=False)
        self._provider.add_span_processor(processor)
        self._tracer = self._provider.get_tracer("cds-service", __version__)

    @contextmanager
    def request(self, parent: Parent | None) -> Iterator[RequestSpan]:
        """See Spans."""
        above = trace.set_span_in_context(NonRecordingSpan(_remote(parent))) if parent else None
        with self._tracer.start_as_current_span(
            "request",
            context=above,
            kind=SpanKind.SERVER,
            # The message of a fault may hold what the caller sent.
            record_exception=False,
            set_status_on_exception=False,
        ) as span:
            yield _Request(span)

    def part(self, name: str) -> AbstractContextManager[object]:
        """See Spans. What is done for no request (at the start) is no part of anything."""
        if not trace.get_current_span().get_span_context().is_valid:
            return nullcontext()
        return self._tracer.start_as_current_span(
            name, record_exception=False, set_status_on_exception=False
        )

    def close(self) -> None:
        """See Spans. A collector that does not answer holds up nobody."""
        ending = threading.Thread(target=self._provider.shutdown, daemon=True)
        ending.start()
        ending.join(_PATIENCE)


class _Request:
    def __init__(self, span: Span) -> None:
        self._span = span
        own = span.get_span_context()
        trace_id = trace.format_trace_id(own.trace_id)
        span_id = trace.format_span_id(own.span_id)
        self.traceparent = f"00-{trace_id}-{span_id}-{int(own.trace_flags):02x}"

    def answered(self, kind: str, method: str, status: int) -> None:
        """See RequestSpan."""
        self._span.set_attribute("cds.kind", kind)
        self._span.set_attribute("http.request.method", method)
        self._span.set_attribute("http.response.status_code", status)
        if status >= 500:
            self._span.set_status(Status(StatusCode.ERROR))


def _remote(parent: Parent) -> SpanContext:
    flags = trace.TraceFlags(int(parent.flags, 16))
    return SpanContext(
        int(parent.trace_id, 16), int(parent.span_id, 16), is_remote=True, trace_flags=flags
    )


def sending_to(url: str) -> Telemetry:
    """Spans that are sent to this address of a collector, in batches, in the background."""
    return Telemetry(BatchSpanProcessor(OTLPSpanExporter(url, timeout=_PATIENCE)))
