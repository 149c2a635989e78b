"""How long each part of an answer takes, told to whoever collects it (OpenTelemetry).

Parts: `request` (the whole, `web.spanned`), and in it `read`, `decide`, `write` and `record`; of a
call of CDS Hooks `request` and `record`. A span holds its name, its times and, of a request, the
kind of its address, method and status: nothing that a caller sent. When nobody collects, none of
this is there: `Traced` takes the place of Service only when a collector is set.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any, NamedTuple, Protocol, TypeVar, cast

from cds_service.audit.record import Entry
from cds_service.audit.store import Receipt, Store
from cds_service.content import treatment
from cds_service.service import Service

T = TypeVar("T")


class Parent(NamedTuple):
    """Where a trace comes from (W3C Trace Context, traceparent)."""

    trace_id: str
    span_id: str
    flags: str


class RequestSpan(Protocol):
    """The span of one request."""

    traceparent: str
    """What names it to others."""

    def answered(self, kind: str, method: str, status: int) -> None:
        """Say how it ended; `kind` and `method` are words of ours."""
        ...


class Spans(Protocol):
    """Makes spans and sends them; `settings.telemetry` has the one that there is."""

    def request(self, parent: Parent | None) -> AbstractContextManager[RequestSpan]:
        """The span around a request; inside, others are parts of it."""
        ...

    def part(self, name: str) -> AbstractContextManager[object]:
        """The span around a part of what is done now."""
        ...

    def close(self) -> None:
        """Send what is left, within a bound."""
        ...


class Traced(Service):
    """A Service whose parts are timed."""

    def __init__(
        self, spans: Spans, protocol: treatment.Protocol, store: Store, **options: Any
    ) -> None:
        super().__init__(protocol, cast("Store", _Timed(store, spans)), **options)
        self._spans = spans

    def _part(self, name: str, does: Callable[..., T], *given: Any, **more: Any) -> T:
        with self._spans.part(name):
            return does(*given, **more)

    def _read(self, *given: Any, **more: Any) -> Any:
        return self._part("read", super()._read, *given, **more)

    def _decided(self, *given: Any, **more: Any) -> Any:
        return self._part("decide", super()._decided, *given, **more)

    def _written(self, *given: Any, **more: Any) -> Any:
        return self._part("write", super()._written, *given, **more)


class _Timed:
    """A store whose appending is timed: until the entry is durable and signed for."""

    def __init__(self, store: Store, spans: Spans) -> None:
        self._store, self._spans = store, spans

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    async def append(self, entry: Entry) -> Receipt:
        """See Store."""
        with self._spans.part("record"):
            return await self._store.append(entry)


@contextmanager
def closing(spans: Spans | None) -> Iterator[None]:
    """Inside, spans are made; at the end what is left is sent."""
    try:
        yield
    finally:
        if spans is not None:
            spans.close()
