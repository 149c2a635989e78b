"""CDS Hooks 2.0: discovery, the services, and their feedback.

One table of services makes the discovery and the routes, so that it cannot claim what is not there.
"""

from collections.abc import Callable
from typing import Any, Final

import orjson
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.fhir.hook_data import TEMPLATES
from cds_service.fhir.read_hook import EXTENSION
from cds_service.service import Answer, Service
from cds_service.service.hooks import SERVICES
from cds_service.web import negotiate, openapi, problems
from cds_service.web.apply import check_acceptable
from cds_service.web.bodies import Gone, check_readable, recorded, whole_body
from cds_service.web.records import Who

PATH: Final = "/cds-services"
JSON: Final = "application/json"
_TEXTS = {
    "sick-young-infant-plan": "hooks.plan",
    "medicine-dose-check": "hooks.check",
    "medicine-dose-check-select": "hooks.check-select",
}


def discovery(service: Service) -> dict[str, Any]:
    """The services there are, with their prefetch templates."""

    def words(key: str) -> str:
        return render(service.protocol, Message(key))

    return {
        "services": [
            {
                "hook": hook,
                "title": words(f"{_TEXTS[name]}.title"),
                "description": words(f"{_TEXTS[name]}.description"),
                "id": name,
                "prefetch": TEMPLATES,
                "usageRequirements": words("hooks.usage"),
            }
            for name, hook in SERVICES.items()
        ]
    }


class Hooks:
    """The endpoints for one service; `max_body` is the largest request in bytes."""

    def __init__(self, service: Service, max_body: int, who: Who) -> None:
        self._service = service
        self._max_body = max_body
        self._who = who
        self._discovery = orjson.dumps(discovery(service))

    async def discover(self, request: Request) -> Response:
        """The services there are."""
        _check(request)
        return Response(self._discovery, media_type=JSON)

    def call(self, name: str) -> Callable[[Request], Any]:
        """The endpoint of one service."""

        async def call(request: Request) -> Response:
            """Cards; recorded durably before they leave."""
            _check(request)
            answer = await self._service.hook(
                await self._body(request),
                name,
                languages=negotiate.wanted_languages(request.headers.get("accept-language", "")),
                origin=self._who(request.scope),
            )
            return Response(answer.body, headers=_headers(answer), media_type=JSON)

        return call

    def feedback(self, name: str) -> Callable[[Request], Any]:
        """The endpoint for what became of the cards of one service."""

        async def feedback(request: Request) -> Response:
            """Record what became of cards."""
            _check(request)
            body, origin = await self._body(request), self._who(request.scope)
            answers = await self._service.hook_feedback(body, name, origin=origin)
            told = [orjson.Fragment(answer.body) for answer in answers]
            return Response(
                orjson.dumps({"recorded": told}), headers=recorded(answers[-1]), media_type=JSON
            )

        return feedback

    async def nothing(self, _: Request) -> Response:
        """There is no such service."""
        raise problems.no_such_service()

    async def _body(self, request: Request) -> bytes:
        headers = request.headers
        check_readable(headers.get("content-type", ""), headers.get("content-encoding", ""))
        try:
            declared = headers.get("content-length", "")
            return await whole_body(request.receive, declared, self._max_body)
        except Gone:
            raise problems.not_found() from None


def _check(request: Request) -> None:
    check_acceptable(request.headers.get("accept", ""), b"")


def _headers(answer: Answer) -> dict[str, str]:
    told = {
        "content-language": ", ".join(answer.languages),
        "cds-decision-id": answer.decision_id,
    }
    return recorded(answer) | told


def add_routes(app: FastAPI, hooks: Hooks) -> None:
    """Add discovery, and two endpoints for each service."""
    said = _said("The services there are.", _DISCOVERY, {406: _REFUSALS[406]})
    app.get(PATH, name="discovery", **said)(hooks.discover)
    for name, hook in SERVICES.items():
        said = _said("Cards.", _CARDS, _REFUSALS, _call_of(hook))
        said["responses"][200]["headers"] = openapi.RECORDED
        app.post(f"{PATH}/{name}", name=name, **said)(hooks.call(name))
        said = _said("That it was recorded.", {"type": "object"}, _OF_FEEDBACK, _FEEDBACK)
        app.post(f"{PATH}/{name}/feedback", name=f"{name} feedback", **said)(hooks.feedback(name))
    for path in ("{id}", "{id}/feedback"):
        app.post(f"{PATH}/{path}", include_in_schema=False)(hooks.nothing)


def _said(
    about: str, shape: openapi.Json, refusals: dict[int, str], body: openapi.Json | None = None
) -> dict[str, Any]:
    """What a route says of itself in OpenAPI."""
    good = {"description": about, "content": {JSON: {"schema": shape}}}
    extra: openapi.Json = {}
    if body is not None:
        extra["requestBody"] = {"required": True, "content": {JSON: {"schema": body}}}
    return {
        "tags": ["CDS Hooks"],
        "response_class": Response,
        "responses": {200: good, **openapi.outcomes(refusals)},
        "openapi_extra": extra,
    }


_REFUSALS = {
    400: "Not JSON, a repeated key, or not a call of this hook.",
    406: "The caller does not accept JSON.",
    410: "The answer to this hookInstance was erased; Link says where the proof is.",
    412: "Data that is needed was not prefetched; nothing is fetched by this service.",
    413: "The request is too large.",
    415: "The request is not declared as JSON in UTF-8.",
    422: "Understood, but nothing can be said; or the hookInstance belongs to another call.",
    503: "The recommendation could not be recorded, so none is given; Retry-After says when.",
}
_OF_FEEDBACK = {
    400: "Not JSON, or not a feedback.",
    404: "The log has no such card of this service.",
    410: "The answer that the card was dealt in was erased at this moment.",
    **{status: _REFUSALS[status] for status in (406, 413, 415, 503)},
    422: "The card has no such suggestion.",
}
_DISCOVERY = {
    "type": "object",
    "properties": {"services": {"type": "array", "items": {"type": "object"}}},
    "required": ["services"],
}
_CARDS = {
    "type": "object",
    "properties": {"cards": {"type": "array", "items": {"type": "object"}}},
    "required": ["cards"],
}
_TEXT = {"type": "string", "minLength": 1}
_SUGGESTION = {"type": "object", "properties": {"id": _TEXT}, "required": ["id"]}
_FEEDBACK = {
    "type": "object",
    "properties": {
        "feedback": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "properties": {
                    "card": {"type": "string", "format": "uuid"},
                    "outcome": {"enum": ["accepted", "overridden"]},
                    "outcomeTimestamp": {"type": "string", "format": "date-time"},
                    "acceptedSuggestions": {"type": "array", "minItems": 1, "items": _SUGGESTION},
                    "overrideReason": {"type": "object"},
                },
                "required": ["card", "outcome", "outcomeTimestamp"],
                "if": {"properties": {"outcome": {"const": "accepted"}}},
                "then": {"required": ["acceptedSuggestions"]},
            },
        }
    },
    "required": ["feedback"],
}


def _call_of(hook: str) -> openapi.Json:
    """The JSON Schema of a call."""
    context: openapi.Json = {
        "type": "object",
        "properties": {"userId": _TEXT, "patientId": _TEXT, "encounterId": _TEXT},
        "required": ["userId", "patientId"],
    }
    if hook.startswith("order-"):
        context["properties"]["draftOrders"] = {"type": "object", "description": "FHIR Bundle."}
        context["required"] = [*context["required"], "draftOrders"]
    if hook == "order-select":
        context["properties"]["selections"] = {"type": "array", "items": _TEXT}
        context["required"] = [*context["required"], "selections"]
    keys = {key: {"type": ["object", "null"], "description": q} for key, q in TEMPLATES.items()}
    parameters = "FHIR Parameters.parameter: asOf, userLanguage, availableMedication."
    return {
        "type": "object",
        "properties": {
            "hook": {"const": hook},
            "hookInstance": {"type": "string", "format": "uuid"},
            "fhirServer": {"type": "string", "description": "Never called."},
            "fhirAuthorization": {"type": "object", "description": "Never used, never kept."},
            "context": context,
            "prefetch": {"type": "object", "properties": keys},
            "extension": {
                "type": "object",
                "properties": {EXTENSION: {"type": "array", "description": parameters}},
            },
        },
        "required": ["hook", "hookInstance", "context"],
    }
