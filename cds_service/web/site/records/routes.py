"""`/records`: the addresses of the auditors' pages."""

from dataclasses import replace
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse

from cds_service.audit.record import RECOMMENDATION
from cds_service.service import Service
from cds_service.web import problems
from cds_service.web.audit import form
from cds_service.web.reading import note
from cds_service.web.records import Who
from cds_service.web.reviewing import Reviewing
from cds_service.web.search import pairs
from cds_service.web.search_values import PATIENT_OF, REVIEWS, STATUSES, index_of
from cds_service.web.site.records import exporting, names, refusing
from cds_service.web.site.records.asked import PATIENT, READERS, Asked, read
from cds_service.web.site.records.record import shown
from cds_service.web.site.records.searching import (
    MOST_DOSES,
    MOST_OF_PATIENT,
    Searching,
    no_entry,
)
from cds_service.web.site.render import is_part, page

PATH = "/records"


class Records:
    """The pages of one service, for whoever `who` says asks."""

    def __init__(self, service: Service, reviewing: Reviewing, who: Who) -> None:
        self._service = service
        self._reviewing = reviewing
        self._who = who
        self._searching = Searching(service)

    async def search(self, request: Request) -> Response:
        """The list, its charts and the form; 400 with the form when a field is wrong."""
        return await self._list(request, self._read(request))

    async def searched(self, request: Request) -> Response:
        """The form as it is sent: leads to the address of the search, which names no patient."""
        asked = read(pairs(await form(request)), form=True)
        if asked.wrong:
            return await self._list(request, asked)
        note(request.scope, by=[PATIENT] if asked.patient else ())
        if not asked.patient:
            return RedirectResponse(asked.address(), 303)
        entry = await self._searching.of_patient(asked.patient, self._tenant(request))
        if entry is None:
            nobody = {PATIENT: "No entry of this patient is in the log. Is the reference complete?"}
            return await self._list(request, replace(asked, wrong=nobody), refused=200)
        return RedirectResponse(asked.address(patient_of=entry), 303)

    async def doses(self, request: Request) -> Response:
        """How the doses of a selection lie, as a page or as a part of the list."""
        asked = self._asked(request)
        spreads, count, altered = await self._searching.doses(asked, self._tenant(request))
        template = "records/doses_part.html" if is_part(request) else "records/doses.html"
        return self._page(
            template, asked=asked, spreads=spreads, read=count, altered=altered, most=MOST_DOSES
        )

    async def export(self, request: Request) -> Response:
        """The selection as a file."""
        sent = pairs(request.scope["query_string"])
        wanted = [value for name, value in sent if name == "format"]
        if len(wanted) != 1 or wanted[0] not in exporting.FORMATS:
            what = "The format of the file is not said."
            raise problems.refused(400, "value", what, "Choose ndjson or csv.")
        asked = self._checked(read([each for each in sent if each[0] != "format"]))
        query = await self._searching.query(asked, self._tenant(request))
        store, kind = self._service.store, wanted[0]
        positions = [] if query is None else await exporting.chosen(store, query)
        note(request.scope, positions, [name for name, _ in sent if name in READERS])
        write = exporting.ndjson if kind == "ndjson" else exporting.csv
        name = {"content-disposition": f'attachment; filename="records.{kind}"'}
        media = exporting.FORMATS[kind]
        return StreamingResponse(write(store, positions), headers=name, media_type=media)

    async def record(self, request: Request) -> Response:
        """One entry."""
        return await self._record(request)

    async def replay(self, request: Request) -> Response:
        """One recommendation, asked again now."""
        index = _index(request)
        found, logged = await shown(self._service, index, self._tenant(request))
        if logged is None or found.entry is None or found.entry.kind != RECOMMENDATION:
            return await self._record(request)
        note(request.scope, [index])
        (replayed,) = await self._reviewing.again([(logged, found.entry)])
        template = "records/replayed.html" if is_part(request) else "records/record.html"
        return self._page(template, one=found, replayed=replayed)

    async def back(self, request: Request) -> Response:
        """Where a replay was: it is asked for by POST, and loaded again the entry is shown."""
        return RedirectResponse(f"{PATH}/{_index(request)}", 303)

    async def _record(self, request: Request) -> Response:
        index = _index(request)
        found, _ = await shown(self._service, index, self._tenant(request))
        note(request.scope, [index])
        # What was altered is shown with 200: many gateways put a page of their own in the place
        # of a 5xx, and then the auditor would see nothing. Erased is 410, as in FHIR.
        erased = found.erased_by is not None
        return self._page("records/record.html", 410 if erased else 200, one=found, replayed=None)

    async def _list(self, request: Request, asked: Asked, *, refused: int = 400) -> Response:
        tenant = self._tenant(request)
        options = await self._searching.options(tenant)
        found = None if asked.wrong else await self._searching.find(asked, tenant)
        note(request.scope, [row.index for row in found.rows] if found else ())
        status = 200 if found else refused
        return self._page(
            "records/list.html",
            status,
            asked=asked,
            options=options,
            statuses=STATUSES,
            reviews=REVIEWS,
            found=found,
            most_exported=exporting.MOST,
            most_of_patient=MOST_OF_PATIENT,
        )

    def _asked(self, request: Request) -> Asked:
        return self._checked(self._read(request))

    def _read(self, request: Request) -> Asked:
        """The search in the address; by what is noted for the record."""
        sent = pairs(request.scope["query_string"])
        note(request.scope, by=[name for name, _ in sent if name in READERS])
        return read(sent)

    def _checked(self, asked: Asked) -> Asked:
        for name, why in asked.wrong.items():
            what = f"`{name}` cannot be used." if name in READERS else "A part is not usable."
            raise problems.refused(400, "value", what, why)
        return asked

    def _tenant(self, request: Request) -> str:
        return self._who(request.scope).tenant

    def _page(self, template: str, status: int = 200, **told: Any) -> Response:
        service = self._service
        named = names.Names(service.protocol, service.clock().tzinfo)
        return page(
            template,
            status,
            here=PATH,
            protocol=service.protocol.name,
            names=named,
            day=names.day,
            number=names.number,
            named=names.named,
            outcomes=names.OUTCOMES,
            kinds=names.KINDS,
            patient_of=PATIENT_OF,
            **told,
        )


def _index(request: Request) -> int:
    try:
        return index_of(request.path_params["index"])
    except ValueError:
        raise no_entry() from None


def add_routes(app: FastAPI, service: Service, reviewing: Reviewing, who: Who) -> None:
    """Add the pages; they are no part of the interface that OpenAPI describes."""
    records, protocol = Records(service, reviewing, who), service.protocol.name
    for method, path, handler in (
        ("GET", PATH, records.search),
        ("POST", PATH, records.searched),
        ("GET", f"{PATH}/doses", records.doses),
        ("GET", f"{PATH}/export", records.export),
        ("GET", f"{PATH}/{{index}}", records.record),
        ("GET", f"{PATH}/{{index}}/replay", records.back),
        ("POST", f"{PATH}/{{index}}/replay", records.replay),
    ):
        told = refusing.told(handler, protocol)
        app.add_api_route(path, told, methods=[method], include_in_schema=False)
