"""Whether the process lives, and whether it can give recommendations now.

The shape follows draft-inadarei-api-health-check-06 (`application/health+json`).
"""

from typing import Any

import orjson
from fastapi import FastAPI
from starlette.responses import Response

from cds_service.errors import LogUnavailable
from cds_service.service import Service

MEDIA_TYPE = "application/health+json"
"""Media type of both answers."""


def add_routes(app: FastAPI, service: Service) -> None:
    """Add `/health/live` and `/health/ready`."""

    @app.get(
        "/health/live",
        tags=["operations"],
        response_class=Response,
        responses={200: _described("The process answers.")},
    )
    async def live() -> Response:
        """200 as long as the process answers at all."""
        return _health({"status": "pass", "releaseId": service.code_version})

    @app.get(
        "/health/ready",
        tags=["operations"],
        response_class=Response,
        responses={
            200: _described("Recommendations are given."),
            503: _described("The log takes no entry, so no recommendation is given."),
        },
    )
    async def ready() -> Response:
        """200 when the content is loaded and the log takes entries, else 503."""
        protocol = service.protocol
        content = {
            "status": "pass",
            "componentId": protocol.name,
            "observedValue": protocol.digest,
        }
        log = {"status": "pass"}
        try:
            await service.store.ready()
        except LogUnavailable:
            log = {"status": "fail", "output": "the audit log takes no entry"}
        return _health(
            {
                "status": log["status"],
                "releaseId": service.code_version,
                "checks": {"content": [content], "log": [log]},
            }
        )


def _described(about: str) -> dict[str, Any]:
    status = {"type": "object", "properties": {"status": {"enum": ["pass", "fail"]}}}
    return {"description": about, "content": {MEDIA_TYPE: {"schema": status}}}


def _health(body: dict[str, object]) -> Response:
    status = 200 if body["status"] == "pass" else 503
    return Response(orjson.dumps(body), status, media_type=MEDIA_TYPE)
