"""From a form that was sent to the view that answers it, through the same service as `$apply`."""

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import orjson

from cds_service.audit.record import Entry, Origin
from cds_service.errors import LogUnavailable, PayloadErased, RequestError
from cds_service.service import Service
from cds_service.web import problems
from cds_service.web.correlation import Correlation
from cds_service.web.problems import Refused
from cds_service.web.site.trying.answer import Answer, answer_of
from cds_service.web.site.trying.calendar import calendar_of, said
from cds_service.web.site.trying.changed import changed
from cds_service.web.site.trying.checked import Checked, Fault, checked
from cds_service.web.site.trying.drawings import drawings
from cds_service.web.site.trying.edit import Edit, blank
from cds_service.web.site.trying.examples import Example, examples
from cds_service.web.site.trying.fields import field_of, needed_of, notes_of
from cds_service.web.site.trying.filled import Filled, filled
from cds_service.web.site.trying.kept import Kept, here
from cds_service.web.site.trying.posted import Posted
from cds_service.web.site.trying.questions import Form
from cds_service.web.site.trying.shown import Answered, Refusal, View, pretty, refusal_of
from cds_service.web.site.words import Words

BASE, EXAMPLE, ASK, LANG = "base", "example", "ask", "lang"
"""Fields that ask nothing of the infant: the entry to go on from, the example to show, the button
of the form, and the language of the page."""


class _Before(NamedTuple):
    """What the form goes on from."""

    filled: Filled
    entry: Entry | None = None
    """None: from an empty form."""


class Asking:
    """Answers forms; `say` are the words of the page."""

    def __init__(self, service: Service, kept: Kept, form: Form, say: Words) -> None:
        self._service = service
        self._kept = kept
        self._form = form
        self._say = say
        self._names = form.texts() | {
            code: form.texts()[measure.code]
            for measure in service.protocol.measures
            for code in measure.loinc
        }

    async def asked(self, posted: Posted, origin: Origin) -> tuple[View, int]:
        """The view, and its HTTP status. Raises Refused for what no form of ours sends."""
        name = posted.one.get(EXAMPLE, "")
        if name and ASK not in posted.one:
            return await self._example(name, origin)
        view, status = await self._changed(posted, origin)
        return replace(view, example=examples().get(name)), status

    async def _changed(self, posted: Posted, origin: Origin) -> tuple[View, int]:
        index = posted.one.get(BASE, "")
        try:
            before = await self._before(index, origin)
        except (Refused, PayloadErased) as error:
            return View(refusal=self._lost(error)), 410
        asked = {n: v for n, v in posted.one.items() if n not in (BASE, EXAMPLE, ASK, LANG)}
        found = checked(
            Posted(asked, posted.many), self._form, self._service.protocol,
            before.filled.as_of, self._say,
        )  # fmt: skip
        if found.faults:
            faults = {each.field: each for each in found.faults}
            return View(posted.one, found.stock, index, faults=faults), 422
        return await self._ask(before, found, index, origin)

    async def _before(self, index: str, origin: Origin) -> _Before:
        if not index:
            now = self._service.clock().replace(microsecond=0)
            return _Before(self._filled(blank(now)))
        entry = await self._kept.entry(index, origin)
        return _Before(self._filled(entry.request), entry)

    def _filled(self, body: bytes) -> Filled:
        return filled(body, self._service.protocol, self._service.clock())

    async def _example(self, name: str, origin: Origin) -> tuple[View, int]:
        example = examples().get(name)
        if example is None:
            raise problems.not_found()
        shown = self._filled(example.request)
        answered, answer = await self._recommended(example.request, shown, origin)
        notes = notes_of(answer, shown)
        return self._view(shown.values, shown.stock, answered, notes, example), 200

    async def _ask(
        self, before: _Before, found: Checked, index: str, origin: Origin
    ) -> tuple[View, int]:
        protocol, base = self._service.protocol, self._service.base
        body = Edit(before.filled, found.values, found.stock, protocol, base).done()
        try:
            now = self._filled(body)
            answered, answer = await self._recommended(body, now, origin)
        except (RequestError, LogUnavailable) as error:
            return self._refused(error, body, found, index)
        if before.entry is not None:
            answers = answer_of(before.entry.response), answer
            bodies = before.entry.response, answered.response.encode()
            differs = changed(
                before.filled, now, bodies, answers, self._form, self._names, self._say
            )
            answered = replace(answered, changed=differs)
        return self._view(found.values, found.stock, answered, notes_of(answer, now)), 200

    def _view(
        self, values: Mapping[str, str], stock: tuple[str, ...], answered: Answered,
        notes: Mapping[str, tuple[str, ...]], example: Example | None = None,
    ) -> View:  # fmt: skip
        needed = needed_of(answered.answer, self._service.protocol)
        index = str(answered.index)
        return View(values, stock, index, example, answered, notes=notes, needed=needed)

    async def _recommended(
        self, body: bytes, asked: Filled, origin: Origin
    ) -> tuple[Answered, Answer]:
        made = await self._service.recommend(body, origin=here(origin))
        _, decision, _ = self._service.decide(body, now=asked.as_of)
        answer, day, language = answer_of(made.body), asked.as_of.date(), self._say.language
        shown = Answered(
            answer=answer,
            index=made.index,
            day=said(day, language),
            request=body.decode(),
            response=pretty(made.body),
            calendar=calendar_of(day, answer.visits, language),
            drawings=drawings(decision),
        )
        return shown, answer

    def _refused(
        self, error: Exception, body: bytes, found: Checked, index: str
    ) -> tuple[View, int]:
        refused = problems.reply_to(error, Correlation())
        tree = orjson.loads(body)
        places = error.problems if isinstance(error, RequestError) else ()
        protocol = self._service.protocol
        fields = {each.expression: field_of(tree, each.expression, protocol) for each in places}
        refusal = refusal_of(refused, fields, body)
        faults = {each.field: each for each in refusal.issues if each.field}
        view = View(found.values, found.stock, index, refusal=refusal, faults=faults)
        return view, refused.status

    def _lost(self, error: Exception) -> Refusal:
        refusal = refusal_of(problems.reply_to(error, Correlation()), {})
        told = Fault("", self._say("base.gone"), self._say("base.gone.do"))
        return replace(refusal, status=410, issues=(told,))
