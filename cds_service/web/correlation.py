"""What says which request an answer and a line of the log belong to.

The caller's own `X-Request-Id`, and W3C Trace Context (https://www.w3.org/TR/trace-context-1/,
sections 3.2 and 3.3; read from memory). No personal data has room in a trace id; `tracestate` is
handed back and never logged. What is malformed is passed over and a new trace is begun.
"""

import logging
import os
import re
from collections.abc import Mapping
from typing import NamedTuple

from cds_service.web import negotiate

NAMES = (b"x-request-id", b"traceparent", b"tracestate")
"""The headers that are read and sent."""
_PARENT = re.compile(r"(?P<version>[0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")
_KEY = r"(?:[a-z][a-z0-9_*/-]{0,255}|[a-z0-9][a-z0-9_*/-]{0,240}@[a-z][a-z0-9_*/-]{0,13})"
_MEMBER = re.compile(rf"({_KEY})=[\x20-\x2b\x2d-\x3c\x3e-\x7e]{{0,255}}(?<! )")
_MOST_MEMBERS, _LONGEST = 32, 512
_FLAGS = 0x03
"""`sampled`, and `random` of level 2: those that may be handed on."""


class Correlation(NamedTuple):
    """The ids of one request."""

    request_id: str = ""
    trace_id: str = ""
    headers: tuple[tuple[bytes, bytes], ...] = ()
    """What goes into the answer, and on to whatever is asked for it."""

    def write_down(self, log: logging.Logger, level: int, what: str) -> None:
        """Write into the operator's log what became of the request.

        The ids are also attributes of the record: to a collector they are fields of their own.
        """
        ids = {"request_id": self.request_id, "trace_id": self.trace_id}
        log.log(level, "request %s, trace %s %s", *ids.values(), what, extra=ids)


def correlation(sent: Mapping[bytes, str]) -> Correlation:
    """The ids of a request with these headers, "" where one is absent.

    >>> parent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
    >>> asked = {b"x-request-id": "ford-7", b"traceparent": parent, b"tracestate": "a=1"}
    >>> correlation(asked)[:2]
    ('ford-7', '4bf92f3577b34da6a3ce929d0e0e4736')
    """
    fresh = os.urandom(24).hex()
    trace, span, flags, state = fresh[:32], fresh[32:], "00", ""
    asked, parent = sent[b"x-request-id"], sent[b"traceparent"]
    if parent and (given := parent_of(parent)):
        trace, _, flags, state = *given, _state(sent[b"tracestate"])
    name = asked if asked and negotiate.sane_request_id(asked) else trace
    ours = f"00-{trace}-{span}-{flags}".encode()
    told = ((b"x-request-id", name.encode()), (b"traceparent", ours))
    more = ((b"tracestate", state.encode()),) if state else ()
    return Correlation(name, trace, told + more)


def parent_of(parent: str) -> tuple[str, str, str] | None:
    """Trace id, id of the caller's part, and flags; None when it is absent or malformed (3.2.2).

    >>> parent_of("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01")
    ('4bf92f3577b34da6a3ce929d0e0e4736', '00f067aa0ba902b7', '01')
    """
    found = _PARENT.fullmatch(parent)
    if found is None:
        return None
    version, trace, span, flags, more = found.groups()
    if version == "ff" or (version == "00" and more) or not int(trace, 16) or not int(span, 16):
        return None
    return trace, span, f"{int(flags, 16) & _FLAGS:02x}"


def _state(text: str) -> str:
    """The list of vendors as it was sent; "" when it is malformed (3.3.1)."""
    members = [each for part in text.split(",") if (each := part.strip(" \t"))]
    found = [_MEMBER.fullmatch(each) for each in members]
    keys = [each[1] for each in found if each]
    if len(keys) != len(members) or len(set(keys)) != len(keys) or len(keys) > _MOST_MEMBERS:
        return ""
    state = ",".join(members)
    return state if len(state) <= _LONGEST else ""
