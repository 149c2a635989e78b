"""Style sheet and scripts of the pages, from memory, under addresses that change with the bytes."""

import hashlib
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.web import problems

PATH = "/static/{mark}/{name}"
_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".svg": "image/svg+xml",
}
_FOR_EVER = {"cache-control": "public, max-age=31536000, immutable"}


class Static(NamedTuple):
    """One file: its bytes, its media type, and a mark of its bytes."""

    body: bytes
    media_type: str
    mark: str


@cache
def statics() -> dict[str, Static]:
    """Every file by its name."""
    found = {}
    for file in files("cds_service.web.site").joinpath("static").iterdir():
        kind = _TYPES.get("." + file.name.rpartition(".")[2])
        if kind is not None:
            body = file.read_bytes()
            found[file.name] = Static(body, kind, hashlib.sha256(body).hexdigest()[:12])
    return found


def address(name: str) -> str:
    """Where a file is served; raises KeyError for one that is not there."""
    return PATH.format(mark=statics()[name].mark, name=name)


def add_routes(app: FastAPI) -> None:
    """Serve the files; one of another mark is not found, so that no old page gets a new script."""

    @app.get(PATH, include_in_schema=False)
    def static(request: Request, mark: str, name: str) -> Response:
        found = statics().get(name)
        if found is None or found.mark != mark:
            raise problems.not_found()
        if request.headers.get("if-none-match") == f'"{mark}"':
            return Response(status_code=304, headers=_FOR_EVER)
        headers = {**_FOR_EVER, "etag": f'"{mark}"'}
        return Response(found.body, headers=headers, media_type=found.media_type)
