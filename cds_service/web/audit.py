"""The log for auditors, as FHIR: AuditEvent and GuidanceResponse, searched for and read.

A patient in an address ends up in the logs of every gateway on the way, so searching by POST to
`/_search` is the better way; what we link to names no patient in either case.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import orjson
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.audit.record import Entry
from cds_service.audit.store import Logged
from cds_service.fhir.audit_event import ENTRY_SYSTEM, audit_event
from cds_service.fhir.codes import own_system
from cds_service.fhir.write_json import Json
from cds_service.service import Service
from cds_service.web import negotiate, openapi, problems
from cds_service.web.addresses import ID
from cds_service.web.bodies import Gone, whole_body
from cds_service.web.conformance import check
from cds_service.web.finding import SEARCHING, Found, find, search_set
from cds_service.web.prefer import preferences
from cds_service.web.reading import note
from cds_service.web.records import (
    Who,
    entry_at,
    erasures,
    event,
    feedbacks,
    guidance_of,
    opened,
)
from cds_service.web.search import AUDIT_EVENT, GUIDANCE, PARAMETERS, pairs, search
from cds_service.web.search_values import STATUSES, event_index, index_of

FORM = "application/x-www-form-urlencoded"
MOST_FORM = 64 * 1024
"""Bytes of a search by POST."""
_ID = openapi.in_path("id", "Id of the resource.", openapi.ID)
_VERSION = openapi.in_path("version", "Index of the entry in the log.", openapi.INDEX)
_DOWN = {503: "The log cannot be read now."}
_GONE = {410: "The request and the answer were erased; Link says where the proof is."}
_NOT_FOUND = {404: "There is no such entry."}
_NOT_JSON = {406: "The caller does not accept FHIR R4 in JSON."}
_WRONG = {400: "A value is not usable, or (strict) a parameter is not known."}
_PAGING = (
    ("_count", "Matches on a page: 20 unless said, at most 200; 0: only the total."),
    ("_total", "`accurate`: count all matches, which takes long in a large log."),
    ("_page", "Which page; taken from a link."),
    ("_format", "`json`: overrules Accept."),
)
_PREFER = openapi.header("Prefer", "`handling=strict` refuses a parameter that is not known.")


class Audit:
    """Reads one service's log for whoever asks."""

    def __init__(self, service: Service, who: Who) -> None:
        self._service = service
        self._store = service.store
        self._who = who

    async def found(self, kind: str, request: Request) -> Found:
        """What a search finds; raises Refused, PayloadErased, LogUnavailable."""
        check(request)
        sent = pairs(request.scope["query_string"])
        if request.method == "POST":
            sent += pairs(await form(request))
        tenant = self._who(request.scope).tenant
        strict = preferences(request.headers.get("prefer", "")).strict
        zone = self._service.clock().tzinfo
        found = await find(self._store, search(kind, sent, tenant, zone, strict=strict), tenant)
        asked = {name for name, _ in sent}
        known = [each.name for each in PARAMETERS[kind] if each.name in asked]
        note(request.scope, [each.index for each in found.logged], known)
        return found

    async def events(self, request: Request) -> Response:
        """Search AuditEvents."""
        found = await self.found(AUDIT_EVENT, request)
        shown = await self.shown(found.logged)
        return fhir(search_set(request.url, found, [(each["id"], each) for each in shown]))

    async def guidances(self, request: Request) -> Response:
        """Search GuidanceResponses; of an erased entry there is none, and a note has none."""
        found = await self.found(GUIDANCE, request)
        reviews = await self._reviews(found.logged, self._who(request.scope).tenant)
        shown = [self._guidance(each, opened(each), reviews) for each in found.logged]
        return fhir(search_set(request.url, found, [(each["id"], each) for each in shown]))

    async def event(self, request: Request) -> Response:
        """One AuditEvent."""
        check(request)
        try:
            index = event_index(request.path_params["id"])
        except ValueError:
            raise problems.not_found() from None
        logged = await entry_at(self._store, index, self._who(request.scope).tenant)
        note(request.scope, [index])
        (shown,) = await self.shown([logged])
        return fhir(shown)

    async def guidance(self, request: Request) -> Response:
        """The newest GuidanceResponse of a decision, or the one of one entry."""
        check(request)
        tenant, decision = self._who(request.scope).tenant, request.path_params["id"]
        version = request.path_params.get("version")
        if version is None:
            logged, entry = await guidance_of(self._store, decision, tenant)
        else:
            logged = await entry_at(self._store, _version(version), tenant)
            entry = opened(logged)
            if entry.decision_id != decision or entry.outcome not in STATUSES:
                raise problems.no_such_decision()
        note(request.scope, [logged.index])
        reviews = await self._reviews([logged], tenant)
        shown = self._guidance(logged, entry, reviews)
        return fhir(shown, {"etag": f'W/"{logged.index}"'})

    async def shown(self, logged: Sequence[Logged]) -> list[Json]:
        """The AuditEvents of entries."""
        erased_by = await erasures(self._store, logged)
        base = self._service.base
        return [audit_event(event(each, erased_by.get(each.index)), base) for each in logged]

    async def _reviews(self, logged: Sequence[Logged], tenant: str) -> Mapping[int, list[str]]:
        """What was fed back about entries, newest first."""
        reviews: dict[int, list[str]] = {}
        for each in await feedbacks(self._store, [one.index for one in logged], tenant):
            if each.entry is not None and each.head.about is not None:
                reviews.setdefault(each.head.about, []).append(each.entry.outcome)
        return reviews

    def _guidance(self, logged: Logged, entry: Entry, reviews: Mapping[int, list[str]]) -> Json:
        """The GuidanceResponse as recorded; `meta` is the server's (FHIR R4 Resource.meta)."""
        resource: Json = orjson.loads(entry.response)["entry"][0]["resource"]
        meta: Json = {
            "versionId": str(logged.index),
            "lastUpdated": logged.head.recorded.isoformat(),
        }
        system = own_system(self._service.base, ENTRY_SYSTEM)
        codes = dict.fromkeys(reviews.get(logged.index, ()))
        if codes:
            meta["tag"] = [{"system": system, "code": code} for code in codes]
        kind, name = resource.pop("resourceType"), resource.pop("id")
        return {"resourceType": kind, "id": name, "meta": meta, **resource}


def add_routes(app: FastAPI, audit: Audit) -> None:
    """Add searching and reading of both types."""
    searches = {AUDIT_EVENT: audit.events, GUIDANCE: audit.guidances}
    for kind, answer in searches.items():
        about = "Bundle"
        known = [(each.name, each.about) for each in PARAMETERS[kind]]
        query = [openapi.query(name, what) for name, what in (*known, *_PAGING)]
        refusals = _WRONG | _NOT_FOUND | _NOT_JSON | _GONE | _DOWN
        said = described("Those that were found.", about, refusals, [*query, _PREFER])
        app.get(f"/fhir/{kind}", name=f"search {kind}", **said)(answer)
        refusals |= {413: "The search is too large.", 415: f"The body is not {FORM}."}
        said = described("Those that were found.", about, refusals, [_PREFER])
        form = {name: {"type": "string", "description": what} for name, what in (*known, *_PAGING)}
        said["openapi_extra"]["requestBody"] = {
            "content": {FORM: {"schema": {"type": "object", "properties": form}}}
        }
        app.post(f"/fhir/{kind}{SEARCHING}", name=f"search {kind} by POST", **said)(answer)
    _add_reads(app, audit)


def _add_reads(app: FastAPI, audit: Audit) -> None:
    refusals = _NOT_FOUND | _NOT_JSON | _DOWN
    said = described("The event.", AUDIT_EVENT, refusals, [_ID])
    app.get(f"/fhir/{AUDIT_EVENT}/{ID}", name=f"read {AUDIT_EVENT}", **said)(audit.event)
    said = described("As it was recorded last.", GUIDANCE, refusals, [_ID])
    app.get(f"/fhir/{GUIDANCE}/{ID}", name=f"read {GUIDANCE}", **said)(audit.guidance)
    said = described("As this entry has it.", GUIDANCE, refusals | _GONE, [_ID, _VERSION])
    address = f"/fhir/{GUIDANCE}/{{id}}/_history/{{version}}"
    app.get(address, name=f"read one {GUIDANCE}", **said)(audit.guidance)


def described(
    about: str, kind: str, refusals: dict[int, str], parameters: list[openapi.Json]
) -> dict[str, Any]:
    """What a route says of itself in OpenAPI."""
    shape = {
        "type": "object",
        "description": f"FHIR {kind}.",
        "properties": {"resourceType": {"const": kind}},
        "required": ["resourceType"],
    }
    return {
        "tags": ["audit"],
        "response_class": Response,
        "responses": {200: openapi.resource(about, shape), **openapi.outcomes(refusals)},
        "openapi_extra": {"parameters": parameters},
    }


def fhir(resource: Json, headers: Mapping[str, str] | None = None) -> Response:
    """A resource as the answer; never to be kept by a cache on the way."""
    return Response(orjson.dumps(resource), headers=headers, media_type=negotiate.FHIR_JSON)


async def form(request: Request) -> bytes:
    """The body of a form; raises Refused when it is none, or too large."""
    media = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media != FORM:
        raise problems.unsupported_media("A search by POST is a form.", FORM)
    try:
        declared = request.headers.get("content-length", "")
        return await whole_body(request.receive, declared, MOST_FORM)
    except Gone:
        raise problems.not_found() from None


def _version(text: str) -> int:
    try:
        return index_of(text)
    except ValueError:
        raise problems.beyond_the_log() from None
