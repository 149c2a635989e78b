"""`/`: the page for integrators. GET shows it empty, POST asks the service and shows the answer."""

from functools import partial
from typing import Any

from fastapi import FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from cds_service.engine.phrase import unit_name
from cds_service.service import Service
from cds_service.web import negotiate, problems
from cds_service.web.apply import path
from cds_service.web.bodies import Gone
from cds_service.web.correlation import Correlation
from cds_service.web.records import Who
from cds_service.web.site.render import is_part, page
from cds_service.web.site.trying.asking import ASK, BASE, EXAMPLE, LANG, Asking
from cds_service.web.site.trying.calendar import said
from cds_service.web.site.trying.checked import names
from cds_service.web.site.trying.examples import examples
from cds_service.web.site.trying.kept import ENTRY, PART, Kept
from cds_service.web.site.trying.posted import read_posted
from cds_service.web.site.trying.questions import SITES, STOCK, form_of
from cds_service.web.site.trying.shown import View, refusal_of
from cds_service.web.site.words import ENGLISH, Words, chosen, every, own_name

DOWNLOAD = "/try/download"
"""Where request and response of an entry of this page can be had as files."""


def add_routes(app: FastAPI, service: Service, who: Who) -> None:
    """Serve the page."""
    made = _Page(service, who)

    @app.get("/", include_in_schema=False)
    def empty(request: Request) -> Response:
        return made.shown(request, View(), say=chosen(_wanted(request)))

    @app.post("/", include_in_schema=False)
    async def ask(request: Request) -> Response:
        return await made.asked(request)

    @app.post(DOWNLOAD, include_in_schema=False)
    async def download(request: Request) -> Response:
        try:
            posted = await read_posted(request, (ENTRY, PART), ())
        except Gone:
            raise problems.not_found() from None
        return await made.kept.download(posted.one, who(request.scope))


class _Page:
    def __init__(self, service: Service, who: Who) -> None:
        self._service = service
        self._who = who
        self._form = form_of(service.protocol, service.base)
        self._names = names(self._form) | {ASK, BASE, EXAMPLE, LANG}
        self._texts = self._form.texts()
        self.kept = Kept(service)

    async def asked(self, request: Request) -> Response:
        say = chosen(_wanted(request))
        try:
            posted = await read_posted(request, self._names, (STOCK,))
            say = chosen((posted.one.get(LANG, ""), say.language))
            asking = Asking(self._service, self.kept, self._form, say)
            view, status = await asking.asked(posted, self._who(request.scope))
        except Gone:
            raise problems.not_found() from None
        except Exception as error:  # noqa: BLE001 - whatever it was: no recommendation
            refused = problems.reply_to(
                error, request.scope.get(problems.CORRELATION, Correlation())
            )
            view, status = View(refusal=refusal_of(refused, {})), refused.status
        return self.shown(request, view, status, say=say)

    def shown(self, request: Request, view: View, status: int = 200, *, say: Words) -> Response:
        """The page, or the part of it that htmx exchanges."""
        template = "try/work.html" if is_part(request) else "try/page.html"
        return page(template, status, **self._shown(request, view, say))

    def _shown(self, request: Request, view: View, say: Words) -> dict[str, Any]:
        return {
            "view": view,
            "form": self._form,
            "texts": self._texts,
            "sites": SITES,
            "unit": unit_name,
            # Not at the start: what Babel knows of them takes 10 MB, and many never see the page.
            "languages": [(tag, own_name(tag)) for tag, _ in self._form.languages],
            "day": partial(said, language=say.language),
            "examples": examples().values(),
            "say": say,
            "en": "" if say.language == ENGLISH else Markup(' lang="en" dir="ltr"'),
            "page_languages": [(tag, own_name(tag)) for tag in every()],
            "here": "/",
            "download": DOWNLOAD,
            "apply": str(request.base_url).rstrip("/") + path(self._service),
            "protocol": self._service.protocol.name,
            "sources": self._service.protocol.sources,
        }


def _wanted(request: Request) -> tuple[str, ...]:
    """The languages that a visitor wants the page in, the most wanted first."""
    asked = request.query_params.get(LANG, "")
    return asked, *negotiate.wanted_languages(request.headers.get("accept-language", ""))
