"""How many requests are worked on at once, how many may wait, and how long a body may take.

Whoever comes when all places are taken is told at once to come again (503, Retry-After): a health
worker who waits longer than it takes to open the paper chart is not helped.
"""

import asyncio
from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.web import problems
from cds_service.web.replies import Reply, correlated

_ALWAYS = ("/health/live", "/health/ready", "/metrics")
"""Addresses that are answered however many wait: who looks after the service must see it."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one process takes on."""

    most: int = 64
    """Requests that are worked on at once."""
    waiting: int = 512
    """Requests that wait for a place."""
    patience: float = 20.0
    """Seconds within which a whole body must be there."""
    rate: str = ""
    """How often one caller may ask: `600/minute`; "" for no bound."""
    refused: str = ""
    """How many tokens of one address may be refused: `300/minute`; "" for no bound."""


class Crowd:
    """`app` within its bounds."""

    def __init__(self, app: ASGIApp, bounds: Bounds) -> None:
        self._app = app
        self._places = asyncio.Semaphore(bounds.most)
        self._room = bounds.most + bounds.waiting
        self._inside = 0
        self._patience = bounds.patience

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on when there is a place for it, or refuse it."""
        if scope["type"] != "http" or scope["path"] in _ALWAYS:
            await self._app(scope, receive, send)
            return
        if self._inside >= self._room:
            refusal = problems.too_many_at_once()
            reply = Reply(refusal.status, refusal.body, refusal.headers)
            await reply.send(send, correlated(scope), head=scope["method"] == "HEAD")
            return
        self._inside += 1
        try:
            async with self._places:
                await self._app(scope, _Impatient(receive, self._patience), send)
        finally:
            self._inside -= 1


class _Impatient:
    """Receives a body that must be there in time; after it, waits for ever for a disconnection."""

    def __init__(self, receive: Receive, patience: float) -> None:
        self._receive = receive
        self._until = asyncio.get_running_loop().time() + patience
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()
        try:
            async with asyncio.timeout_at(self._until):
                message = await self._receive()
        except TimeoutError:
            raise problems.too_slow() from None
        self._whole = not message.get("more_body", False)
        return message
