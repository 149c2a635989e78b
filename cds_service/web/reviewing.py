"""Operations on what was recommended: `$record`, `$replay` and `$feedback`.

`$record` is an operation of our own, because FHIR has no standard one for this: `_include` brings
only what has an address here and a search parameter (the parts of a recorded answer have neither),
`$everything` is defined for patients and encounters, `$document` for Compositions. It gives one
Bundle with the AuditEvent, the request, the whole answer with its trace, and every feedback.
"""

import asyncio
import base64
from collections.abc import Iterator, Sequence

import orjson
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.audit.leaf import belongs
from cds_service.audit.record import Entry
from cds_service.audit.store import Logged
from cds_service.content.library import Library
from cds_service.errors import ContentError, RequestError
from cds_service.fhir.changes import care_differences
from cds_service.fhir.read_feedback import FEEDBACK_PARAMETERS, Feedback
from cds_service.fhir.read_parameters import entry_named, read_parameters
from cds_service.fhir.write_audit import Replayed, replay_parameters
from cds_service.fhir.write_json import Json
from cds_service.label.answers import answer_differences
from cds_service.service import Service, replay
from cds_service.service.hooks import is_hook
from cds_service.web import negotiate, openapi, problems
from cds_service.web.audit import Audit, described, fhir
from cds_service.web.bodies import Gone, check_readable, recorded, wanted_key, whole_body
from cds_service.web.conformance import check
from cds_service.web.prefer import preferences, shown
from cds_service.web.reading import note
from cds_service.web.records import Who, chosen, feedbacks, opened
from cds_service.web.search import GUIDANCE, pairs
from cds_service.web.search_values import index_of

RECORD, REPLAY, FEEDBACK = "record", "replay", "feedback"
"""The codes of the operations."""
MOST_REPLAYED = 20
"""Entries of one decision that are replayed at once; any other by its index."""
_ENTRY = {"entry": ("valueInteger",)}
_ALTERED = "It was altered: its payload is not the one that was recorded. Verify the log."


class Reviewing:
    """The operations for one service; `max_body` is the largest request in bytes."""

    def __init__(self, service: Service, audit: Audit, max_body: int, who: Who) -> None:
        self._service = service
        self._audit = audit
        self._max_body = max_body
        self._who = who
        self._library = Library()
        self._one_at_a_time = asyncio.Lock()

    async def record(self, request: Request) -> Response:
        """Everything that was recorded of one recommendation, and what was said of it."""
        check(request)
        (found,) = await self._chosen(request, limit=1)
        opened(found[0])
        tenant = self._who(request.scope).tenant
        about = await feedbacks(self._service.store, [found[0].index], tenant)
        events = await self._audit.shown([found[0], *about])
        entries = list(_recorded(str(request.base_url).rstrip("/"), *found, events))
        return fhir({"resourceType": "Bundle", "type": "collection", "entry": entries})

    async def replay(self, request: Request) -> Response:
        """Decide again what was asked then, and compare the bytes."""
        check(request)
        found = await self._chosen(request, limit=MOST_REPLAYED)
        return fhir(replay_parameters(await self.again(found)))

    async def again(self, found: Sequence[tuple[Logged, Entry]]) -> list[Replayed]:
        """What comes of asking again what these entries record."""
        # One at a time: whoever waits for a recommendation goes first.
        async with self._one_at_a_time:
            return [await asyncio.to_thread(self._replayed, *each) for each in found]

    async def feedback(self, request: Request) -> Response:
        """Record what became of a recommendation, as an entry of its own."""
        check(request)
        key = wanted_key(request.headers.getlist("idempotency-key"))
        origin = self._who(request.scope)
        body = await self._body(request)

        async def about(said: Feedback) -> Logged:
            decision, store = request.path_params["id"], self._service.store
            ((logged, _),) = await chosen(store, decision, said.entry, origin.tenant, 1)
            return logged

        answer = await self._service.feedback(body, about, origin=origin, key=key)
        location = {"content-location": f"/fhir/AuditEvent/log-{answer.index}"}
        wanted = preferences(request.headers.get("prefer", ""))._replace(strict=False)
        status, content = shown(answer, wanted)
        headers = recorded(answer) | location | wanted.applied()
        media = negotiate.FHIR_JSON if content else None
        return Response(content or None, status, headers, media)

    async def _chosen(self, request: Request, *, limit: int) -> Sequence[tuple[Logged, Entry]]:
        tenant = self._who(request.scope).tenant
        index = await self._index(request)
        decision = request.path_params.get("id")
        found = await chosen(self._service.store, decision, index, tenant, limit)
        note(request.scope, [logged.index for logged, _ in found])
        return found

    async def _index(self, request: Request) -> int | None:
        """The entry that is named in the query or in the body; None when in neither."""
        sent = pairs(request.scope["query_string"])
        named = [value for name, value in sent if name == "entry"]
        try:
            indexes = [index_of(value) for value in named]
        except ValueError:
            raise problems.entry_needed() from None
        if request.method == "POST" and (body := await self._body(request, needed=False)):
            index = entry_named(read_parameters(body, _ENTRY).get("entry"))
            indexes += [] if index is None else [index]
        if len(indexes) > 1:
            raise problems.entry_needed()
        return indexes[0] if indexes else None

    async def _body(self, request: Request, *, needed: bool = True) -> bytes:
        headers = request.headers
        try:
            declared = headers.get("content-length", "")
            body = await whole_body(request.receive, declared, self._max_body)
        except Gone:
            raise problems.not_found() from None
        if body or needed:
            check_readable(headers.get("content-type", ""), headers.get("content-encoding", ""))
        return body

    def _replayed(self, logged: Logged, entry: Entry) -> Replayed:
        index = logged.index
        if logged.payload is None or not belongs(logged.leaf, logged.payload):
            return Replayed(index, None, (_ALTERED,))
        try:
            now = replay(entry, self._library, base=self._service.base)
        except (ContentError, RequestError) as error:
            return Replayed(index, None, tuple(str(error).splitlines()))
        if now == entry.response:
            return Replayed(index, equal=True)
        # First what matters for care, the worst first; then every value that differs.
        care = care_differences(entry.response, now)
        return Replayed(index, False, (*care, *answer_differences(entry.response, now)))


def _recorded(here: str, logged: Logged, entry: Entry, events: Sequence[Json]) -> Iterator[Json]:
    """The entries of `$record`. What was recorded stands in them as the very bytes it was."""
    for which, event in enumerate(events):
        yield {"fullUrl": f"{here}/fhir/AuditEvent/{event['id']}", "resource": event}
        if which == 0:
            for name, exact in (("request", entry.request), ("response", entry.response)):
                address = f"{here}/log/{name}/{logged.index}"
                yield {"fullUrl": address, "resource": _as_resource(entry, exact)}


def _as_resource(entry: Entry, exact: bytes) -> orjson.Fragment | Json:
    """What was recorded, as it was; what is no FHIR is put into a Binary."""
    if not is_hook(entry):
        return orjson.Fragment(exact)
    data = base64.b64encode(exact).decode()
    return {"resourceType": "Binary", "contentType": "application/json", "data": data}


def add_routes(app: FastAPI, reviewing: Reviewing) -> None:
    """Add the operations to GuidanceResponse."""
    one, every = f"/fhir/{GUIDANCE}/{{id}}/$", f"/fhir/{GUIDANCE}/$"
    entry = openapi.query("entry", "Index of the entry in the log.", openapi.INDEX)
    which = [openapi.in_path("id", "Id of the decision.", openapi.ID), entry]
    said = described("All that was recorded.", "Bundle", _REFUSALS, which)
    app.get(f"{one}{RECORD}", name="$record", **said)(reviewing.record)
    app.post(f"{one}{RECORD}", name="$record by POST", **_with_body(said))(reviewing.record)
    said = described("Whether the bytes are the same.", "Parameters", _REFUSALS, which)
    app.post(f"{one}{REPLAY}", name="$replay", **_with_body(said))(reviewing.replay)
    said = described("Whether the bytes are the same.", "Parameters", _REFUSALS, [entry])
    app.post(f"{every}{REPLAY}", name="$replay one entry", **_with_body(said))(reviewing.replay)
    key = openapi.header("Idempotency-Key", openapi.KEY)
    prefer = openapi.header("Prefer", openapi.RETURN)
    said = described("That it was recorded.", "Parameters", _REFUSALS, [which[0], key, prefer])
    said["responses"] |= openapi.nothing_shown()
    said["responses"][200]["headers"] = openapi.RECORDED
    app.post(f"{one}{FEEDBACK}", name="$feedback", **_with_body(said, FEEDBACK_PARAMETERS))(
        reviewing.feedback
    )


def _with_body(said: Json, allowed: openapi.Json = _ENTRY) -> Json:
    parameters = ", ".join(f"`{name}` ({' or '.join(kinds)})" for name, kinds in allowed.items())
    shape = {
        "type": "object",
        "description": f"FHIR Parameters: {parameters}.",
        "properties": {"resourceType": {"const": "Parameters"}, "parameter": {"type": "array"}},
    }
    body = {"requestBody": {"content": {openapi.FHIR: {"schema": shape}}}}
    return {**said, "openapi_extra": said["openapi_extra"] | body}


_REFUSALS = {
    400: "Not JSON, not FHIR, or a parameter that is not defined.",
    404: "There is no such recommendation.",
    406: "The caller does not accept FHIR R4 in JSON.",
    410: "The request and the answer were erased; Link says where the proof is.",
    413: "The request is too large.",
    415: "The request is not declared as FHIR R4 in JSON and UTF-8.",
    422: "Understood, but something needed is missing, or the key belongs to another request.",
    503: "The log cannot be read or written now; Retry-After says when.",
}
