"""The keys of an issuer from its address, within a time and a size for all of it.

A time for each step alone would not do: whoever sends a byte every few seconds could hold the
fetch, and the callers who wait for it, for days. When the time is up the connection is shut down
under the reader, in the TLS handshake, the head or the body.
"""

import re
import socket
import ssl
import threading
import urllib.request
from contextlib import suppress
from functools import partial
from http.client import HTTPConnection, HTTPException, HTTPResponse
from typing import Any, NamedTuple

PATIENCE = 5.0
"""Seconds for the whole answer, once its machine was reached; and for reaching it."""
LARGEST = 256 * 1024
"""Bytes of a JWK Set."""
_USUAL, _LONGEST = 600, 86_400
"""Seconds that keys are kept: when nothing is said, and at most."""
_AGE = re.compile(r"max-age\s*=\s*(\d+)")


class Fetched(NamedTuple):
    """A JWK Set, and for how many seconds it may be kept."""

    body: bytes
    keep: float


def fetch(url: str) -> Fetched:
    """GET the keys at an address; raises OSError. Follows no redirection.

    Of a body that is too large one byte more than `LARGEST` is read, and no end is waited for.
    """
    request = urllib.request.Request(url, headers={"accept": "application/json"})  # noqa: S310
    line = _Line()
    opener = urllib.request.build_opener(_NoRedirection, _Http(line), _https(line))
    try:
        with line, opener.open(request, timeout=PATIENCE) as answer:  # https, or this machine
            body = answer.read(LARGEST + 1)
            found = Fetched(body, keep_for(answer.headers.get("cache-control", "")))
    except (HTTPException, ValueError) as error:  # no HTTP, or the connection went as it was read
        raise OSError(type(error).__name__) from error
    if line.is_cut:  # what came until then looks like an end where no length was declared
        raise TimeoutError("the whole answer took too long")
    return found


def keep_for(cache_control: str) -> float:
    """How many seconds an answer with this Cache-Control may be kept.

    >>> keep_for("public, max-age=300"), keep_for("no-store"), keep_for("")
    (300, 0, 600)
    """
    said = cache_control.lower()
    if "no-store" in said or "no-cache" in said:
        return 0
    age = _AGE.search(said)
    return min(int(age[1]), _LONGEST) if age else _USUAL


class _Line:
    """The connection of one fetch; it is shut down when it took too long."""

    def __init__(self) -> None:
        self.is_cut = False
        self._own: list[socket.socket] = []
        self._timers: list[threading.Timer] = []

    def opened(self, connection: socket.socket) -> None:
        """A connection was made: from now on it has its time."""
        # Another handle of the same connection: TLS takes the first one over.
        own = connection.dup()
        timer = threading.Timer(PATIENCE, self._cut, (own,))
        timer.daemon = True
        self._own.append(own)
        self._timers.append(timer)
        timer.start()

    def _cut(self, own: socket.socket) -> None:
        self.is_cut = True
        with suppress(OSError):
            own.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> None:
        """Nothing is to be watched yet."""

    def __exit__(self, *_: object) -> None:
        for timer in self._timers:
            timer.cancel()
        for own in self._own:
            own.close()


class _Watched(HTTPConnection):
    """Without TLS: to this machine, or to a proxy."""

    def __init__(self, line: _Line, *given: Any, **more: Any) -> None:
        super().__init__(*given, **more)
        self._line = line

    def connect(self) -> None:
        super().connect()
        self._line.opened(self.sock)


class _Http(urllib.request.HTTPHandler):
    def __init__(self, line: _Line) -> None:
        super().__init__()
        self._line = line

    def http_open(self, req: urllib.request.Request) -> HTTPResponse:
        return self.do_open(partial(_Watched, self._line), req)


def _https(line: _Line) -> urllib.request.HTTPSHandler:
    """https with certificates checked, watched from before the handshake."""

    class Context(ssl.SSLContext):
        def wrap_socket(self, sock: socket.socket, *given: Any, **more: Any) -> ssl.SSLSocket:
            line.opened(sock)
            return super().wrap_socket(sock, *given, **more)

    context = Context(ssl.PROTOCOL_TLS_CLIENT)  # names and certificates are checked
    context.verify_flags = ssl.create_default_context().verify_flags  # stricter since 3.13
    context.load_default_certs()
    return urllib.request.HTTPSHandler(context=context)


class _NoRedirection(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: Any) -> None:
        """A redirection is an error: keys come from where the operator said."""
