"""What an auditor reads over HTTP is recorded before the answer leaves (IHE ATNA and BALP ask it).

One entry for each request that was answered, whatever the size of its page; a refusal showed
nothing and leaves none. When it cannot be recorded nothing is shown (503): `verify-log` and
`export` on the command line need no log that can be written, and cannot record. Only where callers
are known: else there is nobody to be named.
"""

import re
from collections.abc import Iterable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.access.roles import Role
from cds_service.errors import LogUnavailable
from cds_service.service import Service
from cds_service.service.readings import reading, reading_entry
from cds_service.web import problems
from cds_service.web.records import Who
from cds_service.web.replies import Reply, correlated
from cds_service.web.rules import needed

_NOTES = "cds_service.read"
"""Where the ASGI scope holds what is noted for the record."""
_BELOW = ("/fhir/AuditEvent", "/fhir/GuidanceResponse", "/log/", "/records")
"""Looked at first: what is asked most often, a recommendation, begins otherwise."""
_AUDITORS = frozenset({Role.AUDIT})
_KINDS = tuple(
    (kind, re.compile(path, re.ASCII))
    for kind, path in (
        ("search", r"/fhir/(AuditEvent|GuidanceResponse)(/_search)?|/records"),
        ("replay", r"/fhir/GuidanceResponse(/[^/]+)?/\$replay|/records/[^/]+/replay"),
        ("record", r"/fhir/GuidanceResponse/[^/]+/\$record"),
        ("read", r"/fhir/(AuditEvent|GuidanceResponse)/.+"),
        ("bytes", r"/log/(opening|request|response)/.+"),
        ("export", r"/records/export"),
        ("doses", r"/records/doses"),
        ("page", r"/records/[^/]+"),
    )
)
"""What a call is, the first that fits. A leaf (`/log/entries/`) names nobody and is not here."""


class _Notes:
    """What the answer is about to show."""

    def __init__(self) -> None:
        self.by: dict[str, None] = {}
        self.entries: dict[int, None] = {}


def note(scope: Scope, entries: Iterable[int] = (), by: Iterable[str] = ()) -> None:
    """Say for the record which entries an answer shows, and by which parameters they were found.

    `by` are names that we know, no text of the caller's.
    """
    notes: _Notes | None = scope.get(_NOTES)
    if notes is not None:
        notes.entries |= dict.fromkeys(entries)
        notes.by |= dict.fromkeys(by)


class Readings:
    """`app`, whose answers to auditors are recorded."""

    def __init__(self, app: ASGIApp, service: Service, who: Who) -> None:
        self._app, self._service, self._who = app, service, who

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; record what it read before its answer begins."""
        kind = kind_of(scope)
        if not kind:
            await self._app(scope, receive, send)
            return
        notes, refused = _Notes(), False

        async def finish(message: Message) -> None:
            nonlocal refused
            if message["type"] == "http.response.start" and message["status"] < 400:
                refused = not await self._is_recorded(kind, notes, scope)
                if refused:
                    refusal = problems.not_recorded()
                    reply = Reply(refusal.status, refusal.body, refusal.headers)
                    await reply.send(send, correlated(scope), head=scope["method"] == "HEAD")
            if not refused:
                await send(message)

        await self._app({**scope, _NOTES: notes}, receive, finish)

    async def _is_recorded(self, kind: str, notes: _Notes, scope: Scope) -> bool:
        service = self._service
        read = reading(kind, tuple(notes.by), tuple(notes.entries))
        origin = self._who(scope)
        entry = reading_entry(read, service.clock(), service.code_version, origin)
        try:
            await service.store.append(entry)
        except LogUnavailable:
            return False
        return True


def kind_of(scope: Scope) -> str:
    """What a request reads that is for auditors only; "" when it does not.

    >>> call = {"type": "http", "method": "GET", "path": "/records/7"}
    >>> kind_of(call), kind_of({**call, "path": "/log/checkpoint"})
    ('page', '')
    >>> kind_of({**call, "method": "POST", "path": "/fhir/GuidanceResponse/x/$feedback"})
    ''
    """
    if scope["type"] != "http" or not scope["path"].startswith(_BELOW):
        return ""
    if needed(scope["method"], scope["path"]) != _AUDITORS:
        return ""
    return next((kind for kind, path in _KINDS if path.fullmatch(scope["path"])), "")
