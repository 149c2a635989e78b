"""(b) The usual way: FastAPI with fhir.resources (R4B) validating what comes and what goes.

No rule, no dose, no log: only the two Bundles as models.
"""

import os
from pathlib import Path

import orjson
from fastapi import FastAPI
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.parameters import Parameters
from starlette.requests import Request
from starlette.responses import Response


def make_app() -> FastAPI:
    """The application; the answer is the file named by BENCHMARK_ANSWER."""
    constant = orjson.loads(Path(os.environ["BENCHMARK_ANSWER"]).read_bytes())
    app = FastAPI()

    @app.post("/{path:path}")
    async def answer(request: Request) -> Response:
        body = await request.body()
        kind = Parameters if orjson.loads(body)["resourceType"] == "Parameters" else Bundle
        kind.model_validate_json(body)
        text = Bundle.model_validate(constant).model_dump_json()
        return Response(text, media_type="application/fhir+json")

    return app
