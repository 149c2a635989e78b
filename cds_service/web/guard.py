"""Lets through who may call, before anything of a request is read.

RFC 6750 (Bearer). To the caller a refusal says nothing about why; the operator's log does, with
the id of the request and without the token.
"""

import asyncio
import logging
import math
import re

from starlette.types import ASGIApp, Receive, Scope, Send

from cds_service.access.roles import Caller, Role
from cds_service.access.token import Access
from cds_service.audit.record import Origin
from cds_service.errors import LogUnavailable, NotAllowed
from cds_service.web import problems
from cds_service.web.correlation import Correlation
from cds_service.web.refusals import Refusals
from cds_service.web.replies import Reply, correlated, header_lines
from cds_service.web.rules import needed

_log = logging.getLogger("cds_service.access")

CALLER = "cds_service.caller"
"""Where the ASGI scope holds the Caller."""
_BEARER = re.compile(r"bearer +([a-z0-9._~+/-]+=*)", re.IGNORECASE | re.ASCII)
"""RFC 6750, 2.1. What is no character of a token must not be passed over in reading one."""


class Guard:
    """The application behind a check of tokens; what each bearer may do is checked by Allowed.

    `refused` bounds the refusals of one address, such as `300/minute`; "" for no bound.
    """

    def __init__(self, app: ASGIApp, access: Access, refused: str = "") -> None:
        self._app = app
        self._access = access
        self._refusals = Refusals(refused) if refused else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on with its caller, or refuse it."""
        if not _is_guarded(scope):
            await self._app(scope, receive, send)
            return
        try:
            caller = await self._caller(scope)
        except Exception as error:  # noqa: BLE001 - whatever it was: nobody is let in
            await self._refuse(problems.reply_to(error, correlated(scope)), scope, send)
            return
        await self._app({**scope, CALLER: caller}, receive, send)

    async def _refuse(self, refusal: problems.Refused, scope: Scope, send: Send) -> None:
        """Say no; one time too many from this address, say when to come again instead."""
        refusals = self._refusals
        if refusals is None or refusal.status != 401 or not (wait := refusals.wait(scope)):
            await _refuse(refusal, scope, send)
            return
        later = problems.too_often_refused(math.ceil(wait))
        if refusals.is_to_be_said(scope):
            later.__cause__ = NotAllowed("too many from one address; the next are not written down")
            await _refuse(later, scope, send)
        else:
            await _answer(later, scope, send, correlated(scope))

    async def _caller(self, scope: Scope) -> Caller:
        lines = header_lines(scope, b"authorization")
        # A second line may be one that a proxy added or did not look at: neither is taken.
        found = _BEARER.fullmatch(lines[0]) if len(lines) == 1 else None
        if found is None:
            raise problems.who_are_you()
        try:
            return await asyncio.to_thread(self._access.caller, found[1], scope["path"])
        except NotAllowed as error:
            raise problems.who_are_you() from error
        except LogUnavailable as error:
            raise problems.not_now() from error


class Allowed:
    """The application for callers that are known: each may only do what his roles are for."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on when its caller may make it."""
        if _is_guarded(scope):
            needs = needed(scope["method"], scope["path"])
            caller: Caller | None = scope.get(CALLER)
            if caller is None:
                await _refuse(problems.who_are_you(), scope, send)
                return
            if caller.roles.isdisjoint(needs):
                refusal = problems.not_yours()
                refusal.__cause__ = NotAllowed(_why(caller, needs))
                await _refuse(refusal, scope, send)
                return
        await self._app(scope, receive, send)


def _is_guarded(scope: Scope) -> bool:
    if scope["type"] != "http" or scope["method"] == "OPTIONS":
        return False
    return bool(needed(scope["method"], scope["path"]))


async def _refuse(refusal: problems.Refused, scope: Scope, send: Send) -> None:
    given = correlated(scope)
    why = refusal.__cause__ or "no token"
    given.write_down(_log, logging.WARNING, f"refused: {why}")
    await _answer(refusal, scope, send, given)


async def _answer(refusal: problems.Refused, scope: Scope, send: Send, given: Correlation) -> None:
    reply = Reply(refusal.status, refusal.body, refusal.headers)
    await reply.send(send, given, head=scope["method"] == "HEAD")


def _why(caller: Caller, needs: frozenset[Role]) -> str:
    client = f"{caller.origin.tenant}/{caller.origin.caller}"
    return f"{client} has not one of the roles {', '.join(sorted(needs))}"


def who(scope: Scope) -> Origin:
    """Of whom a request is that came through a Guard; see `records.Who`."""
    caller: Caller | None = scope.get(CALLER)
    return Origin() if caller is None else caller.origin
