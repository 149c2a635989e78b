"""How often each caller may ask, in each process: the generic cell rate algorithm (GCRA).

It keeps one time for each caller: when he would be even again if he asked evenly. Written here and
not taken from a package: the one that there is brings four, and a service should stay small.
"""

import math
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Receive, Scope, Send

from cds_service.settings.values import rate_of
from cds_service.web import problems
from cds_service.web.guard import CALLER
from cds_service.web.replies import Reply, correlated

_KEPT = 10_000
"""Callers that are known before those who are even again are forgotten."""


class Rate:
    """`app` for callers who do not ask more often than `rate` says. Health checks do not count.

    All of a span's requests may come at once; then one in each of its parts.
    """

    def __init__(
        self, app: ASGIApp, rate: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        many, self._span = rate_of(rate)
        self._app, self._each, self._clock = app, self._span / many, clock
        self._even: dict[str, float] = {}

    def wait(self, name: str) -> float:
        """Seconds for which this caller has to wait; 0, and one more is counted, if he need not."""
        now = self._clock()
        even = max(self._even.get(name, now), now) + self._each
        if (wait := even - now - self._span) > 1e-9:
            return wait
        if len(self._even) >= _KEPT:
            self._even = {each: at for each, at in self._even.items() if at > now}
        self._even[name] = even
        return 0.0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it (429, Retry-After)."""
        counts = scope["type"] == "http" and not scope["path"].startswith("/health/")
        if counts and (wait := self.wait(_name(scope))):
            refusal = problems.too_often(math.ceil(wait))
            reply = Reply(refusal.status, refusal.body, refusal.headers)
            await reply.send(send, correlated(scope), head=scope["method"] == "HEAD")
            return
        await self._app(scope, receive, send)


def _name(scope: Scope) -> str:
    """The client that the token names; without tokens the machine that asks."""
    caller = scope.get(CALLER)
    if caller is not None:
        return f"{caller.origin.tenant}/{caller.origin.caller}"
    return str((scope.get("client") or ("",))[0])
