"""A connection that does not wait for ever for the head of a request.

The server itself has no such limit: thousands of connections that send nothing would use up what
the process may open. The body has its own limit (`web.crowd`).
"""

import asyncio
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:

    class _Protocol(asyncio.Protocol):
        loop: asyncio.AbstractEventLoop
        transport: asyncio.Transport

        def on_message_begin(self) -> None: ...
        def on_headers_complete(self) -> None: ...

else:
    _Protocol = object


class _Patient(_Protocol):
    """Laid over uvicorn's protocol: ends a connection whose next head takes too long."""

    seconds: float
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._wait()

    def on_message_begin(self) -> None:
        self._wait()
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        self._stop()
        super().on_headers_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._stop()
        self._waiting = self.loop.call_later(self.seconds, self._give_up)

    def _stop(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _give_up(self) -> None:
        self._waiting = None
        if not self.transport.is_closing():
            self.transport.close()


def protocol(seconds: float) -> Any:
    """uvicorn's protocol with this many seconds for each head; "auto" where httptools is not."""
    try:
        from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol
    except ImportError:  # another interpreter: the proxy before the service must see to it
        return "auto"
    return type("Patient", (_Patient, HttpToolsProtocol), {"seconds": seconds})
