"""How a resource goes out: whole, pretty or in part, with a strong ETag, or not again (304).

FHIR R4 http.html#parameters and search.html#summary; RFC 9110, sections 8.8.3 and 13.1.2. What
nobody asked to be changed is written once and sent from memory.
"""

import hashlib
from collections.abc import Awaitable, Callable, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

import orjson
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from cds_service.web import negotiate, openapi, problems
from cds_service.web.correlation import NAMES, correlation
from cds_service.web.replies import COMMON, request_headers

Json = dict[str, Any]

_SUMMARY = (
    "url", "version", "name", "title", "status", "experimental", "date", "publisher", "kind",
    "type", "code", "fhirVersion", "format", "software",
)  # fmt: skip
"""Elements of our artefacts that R4 marks as part of a summary, where they have them."""
_MANDATORY = ("resourceType", "id", "status", "experimental")
"""Kept whatever was asked for: what it is, and that it is a draft."""
_SUBSETTED = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
}
SHAPING = ("_format", "_pretty", "_summary", "_elements")
"""Parameters that say how, and not what."""
QUERY = [
    openapi.query("_format", "`json`: overrules Accept."),
    openapi.query("_pretty", "`true`: for people to read."),
    openapi.query("_summary", "`true`, `data`, `count` (search only) or `false`."),
    openapi.query("_elements", "Only these elements of the resource, with commas."),
    openapi.header("If-None-Match", "The ETag of an answer: 304 while it is the same."),
]
NOT_CHANGED: dict[int | str, Json] = {
    304: {"description": "It is as the ETag in `If-None-Match` says."}
}
WRONG_SUMMARY = {400: "`_summary` is none of those that are known."}


class Ready(NamedTuple):
    """A resource as it is sent, and its ETag."""

    body: bytes
    etag: str


def ready(resource: Json, *, pretty: bool = False) -> Ready:
    """Write it; the ETag is that of the very bytes."""
    body = orjson.dumps(resource, option=orjson.OPT_INDENT_2 if pretty else 0)
    return Ready(body, f'"{hashlib.sha256(body).hexdigest()[:32]}"')


def respond(request: Request, resource: Json, whole: Ready | None = None) -> Response:
    """The answer to a read; `whole` is the resource written already. Raises Refused (400)."""
    part = shown(resource, request.query_params)
    return respond_bundle(request, part, whole if part is resource else None)


def respond_bundle(request: Request, resource: Json, whole: Ready | None = None) -> Response:
    """The answer with all of the resource, whatever `_elements` says of those in it."""
    pretty = request.query_params.get("_pretty") == "true"
    sent = ready(resource, pretty=pretty) if pretty or whole is None else whole
    headers = {"cache-control": "no-cache", "etag": sent.etag}
    if known(request.headers.get("if-none-match", ""), sent.etag):
        return Response(None, 304, headers)
    return Response(sent.body, headers=headers, media_type=negotiate.FHIR_JSON)


def shown(resource: Json, asked: Mapping[str, str]) -> Json:
    """The part of a resource that `_elements` or `_summary` asks for, marked as such.

    Raises Refused (400) for a summary that is not known.
    """
    summary = asked.get("_summary", "false")
    if summary not in ("true", "false", "data", "count"):
        remedy = "Use _summary=true, false, data or, in a search, count."
        raise problems.refused(400, "not-supported", "This summary is not known.", remedy)
    if "_elements" in asked:
        wanted = asked["_elements"].replace(" ", "").split(",")
    elif summary == "true":
        wanted = list(_SUMMARY)
    else:
        return resource
    kept = {name: value for name, value in resource.items() if name in (*_MANDATORY, *wanted)}
    return kept | {"meta": {"tag": [_SUBSETTED]}}


def known(if_none_match: str, etag: str) -> bool:
    """Whether the caller has it already (weak comparison, RFC 9110, section 13.1.2).

    >>> known('W/"a", "b"', '"b"'), known("*", '"b"'), known('"a"', '"b"'), known("", '"b"')
    (True, True, False, False)
    """
    if not if_none_match:
        return False
    tags = [tag.strip().removeprefix("W/") for tag in if_none_match.split(",")]
    return etag in tags or tags == ["*"]


class Quick:
    """A resource at its address, from memory; what asks for anything else goes to `otherwise`."""

    def __init__(
        self, sent: Ready, otherwise: Callable[[Scope, Receive, Send], Awaitable[None]]
    ) -> None:
        common = [pair for pair in COMMON if pair[0] != b"cache-control"]
        self._etag = sent.etag
        self._body = sent.body
        self._otherwise = otherwise
        self._unchanged = [*common, (b"cache-control", b"no-cache"), (b"etag", sent.etag.encode())]
        self._headers = [
            (b"content-type", negotiate.FHIR_JSON.encode()),
            (b"content-length", str(len(sent.body)).encode()),
            *self._unchanged,
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a plain GET or HEAD."""
        sent = request_headers(scope, (b"accept", b"if-none-match", *NAMES))
        plain = scope["method"] in ("GET", "HEAD") and not scope["query_string"]
        if not plain or not _accepts_json(sent[b"accept"]):
            await self._otherwise(scope, receive, send)
            return
        again = known(sent[b"if-none-match"], self._etag)
        headers = [*(self._unchanged if again else self._headers), *correlation(sent).headers]
        status = 304 if again else 200
        await send({"type": "http.response.start", "status": status, "headers": headers})
        body = b"" if again or scope["method"] == "HEAD" else self._body
        await send({"type": "http.response.body", "body": body})


_accepts_json = lru_cache(maxsize=256)(negotiate.accepts_json)
