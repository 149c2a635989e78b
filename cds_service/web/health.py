"""Whether the process lives, and whether it can give recommendations now.

The shape follows draft-inadarei-api-health-check-06 (`application/health+json`).
"""

from collections.abc import Sequence
from typing import Any

import orjson
from fastapi import FastAPI
from starlette.responses import Response

from cds_service.service import Service
from cds_service.service.starting import CASE, KEY, LOG, Starting

MEDIA_TYPE = "application/health+json"
"""Media type of both answers."""


def add_routes(app: FastAPI, service: Service) -> None:
    """Add `/health/live` and `/health/ready`."""
    starting = Starting(service)

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
            503: _described("The log takes no entry, or the known case is decided otherwise."),
        },
    )
    async def ready() -> Response:
        """200 when the known infant gets the known answer and the log takes entries, else 503."""
        faults = await starting.faults()
        protocol = service.protocol
        content = {"componentId": protocol.name, "observedValue": protocol.digest}
        checks: dict[str, list[dict[str, object]]] = {
            "content": [_check(faults[CASE]) | content],
            KEY: [_check(faults[KEY])],
            # Why, is for the operator: it may name a place.
            LOG: [_check(["the audit log takes no entry"] if faults[LOG] else ())],
        }
        status = "fail" if any(faults.values()) else "pass"
        return _health({"status": status, "releaseId": service.code_version, "checks": checks})


def _check(faults: Sequence[str]) -> dict[str, object]:
    return {"status": "fail", "output": "; ".join(faults)} if faults else {"status": "pass"}


def _described(about: str) -> dict[str, Any]:
    status = {"type": "object", "properties": {"status": {"enum": ["pass", "fail"]}}}
    return {"description": about, "content": {MEDIA_TYPE: {"schema": status}}}


def _health(body: dict[str, object]) -> Response:
    status = 200 if body["status"] == "pass" else 503
    return Response(orjson.dumps(body), status, media_type=MEDIA_TYPE)
