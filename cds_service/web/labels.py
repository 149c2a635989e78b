"""The medicine label and the caregiver's leaflet of a recommendation, as PDF or for the screen.

Each is made when it is asked for, of what the log has, and that it was made is recorded before it
leaves: who asked, and the hash of its bytes.
"""

import asyncio
from collections.abc import Mapping

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.audit.record import Entry
from cds_service.audit.store import Logged
from cds_service.content.library import Library
from cds_service.label.printing import FORMATS, PAPERS, Wanted
from cds_service.service import Service
from cds_service.web import openapi, problems
from cds_service.web.bodies import recorded
from cds_service.web.negotiate import media_wanted
from cds_service.web.records import Who, entry_at, guidance_of, opened
from cds_service.web.search import GUIDANCE, pairs
from cds_service.web.search_values import STATUSES, index_of

_CHOICES: Mapping[str, Mapping[str, str]] = {
    "format": {each: each for each in FORMATS},
    "paper": {each: each for each in PAPERS},
    "words": {"yes": "", "no": "no"},
    "name": {"sent": "", "blank": "blank"},
}
"""Parameters that have one of a few values, and what each value stands for."""
_FREE = ("lang", "page", "entry")


class Labels:
    """Prints what one service recommended, for whoever asks."""

    def __init__(self, service: Service, who: Who) -> None:
        self._service = service
        self._who = who
        self._library = Library()
        self._one_at_a_time = asyncio.Lock()

    async def label(self, request: Request) -> Response:
        """The label or the leaflet, as it is asked for in the query."""
        sent = _read(request.scope["query_string"])
        form = sent.get("format") or media_wanted(request.headers.get("accept", ""), FORMATS)
        if not form:
            raise problems.no_such_form(", ".join(FORMATS.values()))
        wanted = Wanted(
            format=form,
            paper=sent.get("paper", "a6"),
            language=sent.get("lang", ""),
            wordless=bool(sent.get("words")),
            sheet=_number(sent.get("page", "1"), "page"),
        )
        origin, blank = self._who(request.scope), bool(sent.get("name"))
        logged, its = await self._meant(request.path_params["id"], sent, origin.tenant)
        # One at a time: whoever waits for a recommendation goes first.
        async with self._one_at_a_time:
            answer, made = await self._service.label(
                logged.index, its, wanted, self._library, blank=blank, origin=origin
            )
        headers = recorded(answer) | {"content-location": f"/fhir/AuditEvent/log-{answer.index}"}
        headers["content-disposition"] = f'inline; filename="{PAPERS[wanted.paper]}.{form}"'
        if made.sheets:
            headers["cds-pages"] = str(made.sheets)
        return Response(made.body, headers=headers, media_type=FORMATS[form])

    async def _meant(
        self, decision: str, sent: Mapping[str, str], tenant: str
    ) -> tuple[Logged, Entry]:
        """The newest entry of the decision, or the one that `entry` names."""
        if "entry" not in sent:
            return await guidance_of(self._service.store, decision, tenant)
        logged = await entry_at(self._service.store, _number(sent["entry"], "entry"), tenant)
        its = opened(logged)
        if its.decision_id != decision or its.outcome not in STATUSES:
            raise problems.no_such_decision()
        return logged, its


def _read(query: bytes) -> dict[str, str]:
    """The parameters of the query; raises Refused (400) for any that is not known or not usable."""
    found: dict[str, str] = {}
    for name, value in pairs(query):
        if name in found or name not in (*_CHOICES, *_FREE):
            raise problems.wrong_parameter("", (*_CHOICES, *_FREE))
        choices = _CHOICES.get(name)
        if choices is not None and value not in choices:
            raise problems.wrong_parameter(name, tuple(choices))
        found[name] = value if choices is None else choices[value]
    return found


def _number(text: str, name: str) -> int:
    try:
        return index_of(text)
    except ValueError:
        raise problems.wrong_parameter(name, ("a number",)) from None


def add_routes(app: FastAPI, labels: Labels) -> None:
    """Add the address of a label."""
    parameters = [
        openapi.in_path("id", "Id of the decision."),
        *(openapi.query(name, _ABOUT[name], _one_of(name)) for name in (*_CHOICES, *_FREE)),
    ]
    content: openapi.Json = {media.partition(";")[0]: {} for media in FORMATS.values()}
    answer = {"description": "The label.", "content": content, "headers": _HEADERS}
    app.get(
        f"/fhir/{GUIDANCE}/{{id}}/label",
        name="label",
        tags=["audit"],
        response_class=Response,
        responses={200: answer, **openapi.outcomes(_REFUSALS)},
        openapi_extra={"parameters": parameters},
    )(labels.label)


def _one_of(name: str) -> openapi.Json:
    return {"type": "string", "enum": list(_CHOICES[name])} if name in _CHOICES else {}


_ABOUT = {
    "format": "Overrules Accept; without either PDF.",
    "paper": "`a6`, `58mm`: the medicine label; `a5`: the caregiver's leaflet.",
    "words": "`no`: by drawings, for who does not read.",
    "name": "`blank`: a line in place of the infant's name.",
    "lang": "BCP-47 tag; without it the language of the recommendation.",
    "page": "Which sheet of an SVG or PNG, from 1.",
    "entry": "Index of the entry in the log; without it the newest of the decision.",
}
_HEADERS = openapi.RECORDED | {
    "Cds-Pages": {"schema": {"type": "integer"}, "description": "Sheets there are, not of a PDF."}
}
_REFUSALS = {
    400: "A parameter is not known or not usable.",
    404: "There is no such recommendation.",
    406: "The caller accepts no form in which a label can be made.",
    410: "The request and the answer were erased; Link says where the proof is.",
    422: "There is no label: nothing is due, it cannot be printed, or what was recommended then "
    "cannot be made again.",
    503: "The log cannot be read or written now; Retry-After says when.",
}
