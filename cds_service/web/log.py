"""`/log/...`: what proves that the log is complete and unaltered, without a word about an infant.

Checkpoints, leaves and proofs may be seen by anybody of the tenant: a leaf names no infant, and
its payload cannot be guessed from it. The opening of an entry is another matter: with the request
and the answer it shows that the leaf is theirs, and it is erased with them.
Formats: C2SP tlog-checkpoint, signed-note and tlog-proof.
"""

from typing import Any

import orjson
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.leaf import Payload
from cds_service.audit.note import split
from cds_service.audit.proof import ConsistencyProof, InclusionProof
from cds_service.errors import PayloadErased
from cds_service.service import Service
from cds_service.web import openapi, problems
from cds_service.web.reading import note
from cds_service.web.records import Who, entry_at, opened
from cds_service.web.search_values import index_of

TEXT = "text/plain; charset=utf-8"
JSON = "application/json"
_NUMBER = {400: "A number is not one."}
_BEYOND = {404: "The log is not that long."}
_GONE = {410: "The request and the answer were erased."}
_ALTERED = {500: "What is stored is not what was recorded: it is not shown."}
_DOWN = {503: "The log cannot be read now."}
_INDEX = openapi.in_path("index", "Position in the log, from 0.", openapi.INDEX)


def _size(name: str, about: str) -> openapi.Json:
    return openapi.query(name, about, openapi.INDEX)


def add_routes(app: FastAPI, service: Service, who: Who) -> None:
    """Add every `/log/...` address."""
    _add_proofs(app, service)
    _add_entries(app, service, who)


def _add_proofs(app: FastAPI, service: Service) -> None:
    store = service.store

    @app.get("/log/checkpoint", **_said("The signed checkpoint of the log as it is now.", _DOWN))
    async def read_checkpoint() -> Response:
        """C2SP tlog-checkpoint: name of the log, number of entries, root, signatures."""
        return Response(await store.checkpoint(), media_type=TEXT)

    @app.get("/log/keys", **_said("What the checkpoints are verified with, one key a line.", {}))
    async def read_keys() -> Response:
        """Public keys as `name+id+base64` (C2SP signed-note); get them on another way too."""
        return Response("".join(f"{key}\n" for key in store.keys), media_type=TEXT)

    @app.get(
        "/log/proof/inclusion/{index}",
        **_said(
            "The proof.",
            _NUMBER | _BEYOND | _DOWN,
            [_INDEX, _size("size", "Number of entries of a checkpoint that you hold.")],
        ),
    )
    async def read_inclusion(request: Request) -> Response:
        """That the entry is in the log, as C2SP tlog-proof.

        With `size` the proof leads to the checkpoint of that size that you hold, and ends where
        you append yours: a checkpoint that was signed anew would not show that it is the same.
        """
        index, size = _number(request.path_params["index"]), request.query_params.get("size")
        note = await store.checkpoint() if size is None else ""
        entries = _entries(note) if size is None else _number(size)
        try:
            path = await store.inclusion(index, entries)
        except IndexError:
            raise problems.beyond_the_log() from None
        return Response(InclusionProof(index, path, note).text(), media_type=TEXT)

    @app.get(
        "/log/proof/consistency",
        **_said(
            "The proof.",
            _NUMBER | _BEYOND | _DOWN,
            [
                _size("from", "Number of entries of the older checkpoint."),
                _size("to", "Number of entries of the newer one; without: all of now."),
            ],
        ),
    )
    async def read_consistency(request: Request) -> Response:
        """That the newer log begins with the older one: nothing was altered, nothing removed."""
        asked = request.query_params
        old = _number(asked.get("from", ""))
        new = _number(asked["to"]) if "to" in asked else await store.size()
        try:
            path = await store.consistency(old, new)
        except IndexError:
            raise problems.beyond_the_log() from None
        return Response(ConsistencyProof(old, new, path).text(), media_type=TEXT)


def _add_entries(app: FastAPI, service: Service, who: Who) -> None:
    store = service.store

    @app.get(
        "/log/entries/{index}",
        **_said("The leaf: one line of JSON.", _NUMBER | _BEYOND | _DOWN, [_INDEX], JSON),
    )
    async def read_leaf(request: Request) -> Response:
        """The very bytes that the tree is made of; they name no infant and are never erased."""
        index = _number(request.path_params["index"])
        logged = await entry_at(store, index, who(request.scope).tenant)
        return Response(logged.leaf, media_type=JSON)

    async def payload(request: Request) -> Payload:
        index = _number(request.path_params["index"])
        logged = await entry_at(store, index, who(request.scope).tenant)
        note(request.scope, [index])
        opened(logged)  # else altered bytes would leave as what was recorded
        if logged.payload is None:
            raise PayloadErased(index)
        return logged.payload

    erasable = _NUMBER | _BEYOND | _GONE | _ALTERED | _DOWN

    @app.get(
        "/log/opening/{index}",
        **_said("Salt (hex) and what else is committed to.", erasable, [_INDEX], JSON),
    )
    async def read_opening(request: Request) -> Response:
        """What shows, together with request and answer, that a leaf is theirs.

        As `examples/verify_proof.py` reads it.
        """
        found, index = await payload(request), _number(request.path_params["index"])
        opening = {"index": index, "salt": found.salt.hex(), "rest": found.rest.decode()}
        return Response(orjson.dumps(opening), media_type=JSON)

    @app.get(
        "/log/request/{index}", **_said("Exactly what was received.", erasable, [_INDEX], JSON)
    )
    async def read_request(request: Request) -> Response:
        """The request, byte by byte."""
        return Response((await payload(request)).request, media_type=JSON)

    @app.get(
        "/log/response/{index}", **_said("Exactly what was answered.", erasable, [_INDEX], JSON)
    )
    async def read_response(request: Request) -> Response:
        """The answer, byte by byte."""
        return Response((await payload(request)).response, media_type=JSON)


def _said(
    about: str,
    refusals: dict[int, str],
    parameters: list[openapi.Json] | None = None,
    media: str = "text/plain",
) -> dict[str, Any]:
    """What a route says of itself in OpenAPI."""
    kind = "object" if media == JSON else "string"
    answer = {"description": about, "content": {media: {"schema": {"type": kind}}}}
    return {
        "tags": ["log"],
        "response_class": Response,
        "responses": {200: answer, **openapi.outcomes(refusals)},
        "openapi_extra": {"parameters": parameters} if parameters else None,
    }


def _number(text: str) -> int:
    try:
        return index_of(text)
    except ValueError:
        what = "A number of the address is not a whole number from 0."
        raise problems.refused(400, "value", what, "Send decimal digits.") from None


def _entries(note: str) -> int:
    """How many entries a checkpoint of ours commits to."""
    return Checkpoint.parse(split(note)[0]).size
