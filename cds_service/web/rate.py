"""How often each caller may ask, in each process."""

import math
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Receive, Scope, Send

from cds_service.web import problems
from cds_service.web.evenly import Evenly
from cds_service.web.guard import CALLER
from cds_service.web.replies import Reply, correlated


class Rate:
    """`app` for callers who do not ask more often than `rate` says. Health checks do not count."""

    def __init__(
        self, app: ASGIApp, rate: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._app, self._evenly = app, Evenly(rate, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it (429, Retry-After)."""
        counts = scope["type"] == "http" and not scope["path"].startswith("/health/")
        if counts and (wait := self._evenly.wait(_name(scope))):
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
