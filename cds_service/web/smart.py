"""`/.well-known/smart-configuration`: where a client gets its access token.

SMART App Launch 2.2, conformance.html. The authorization server is another program; this service
only takes its tokens. Without one there is nothing to tell: 404.
"""

from typing import Any

import orjson
from fastapi import FastAPI
from starlette.responses import Response

from cds_service.access.issuers import Issuer
from cds_service.access.roles import SCOPE
from cds_service.access.token import ALGORITHMS
from cds_service.web import openapi, problems

PATH = "/.well-known/smart-configuration"


def configuration(issuers: tuple[Issuer, ...]) -> dict[str, Any] | None:
    """What is told of the first authorization server that is listed; None without one."""
    for issuer in issuers:
        if issuer.use == "server" and issuer.token_endpoint is not None:
            told = {
                "issuer": issuer.issuer,
                "token_endpoint": issuer.token_endpoint,
                "token_endpoint_auth_methods_supported": ["private_key_jwt"],
                "token_endpoint_auth_signing_alg_values_supported": list(ALGORITHMS),
                "grant_types_supported": ["client_credentials"],
                "scopes_supported": sorted(f"{SCOPE}{role}" for role in issuer.roles),
                "code_challenge_methods_supported": ["S256"],
                "capabilities": ["client-confidential-asymmetric"],
            }
            return told | ({"jwks_uri": issuer.keys_url} if issuer.keys_url else {})
    return None


def add_routes(app: FastAPI, issuers: tuple[Issuer, ...]) -> None:
    """Tell it, when there is something to tell."""
    told = configuration(issuers)

    @app.get(
        PATH,
        tags=["operations"],
        response_class=Response,
        responses={
            200: {"description": "Where a client gets its access token.",
                  "content": {"application/json": {"schema": {"type": "object"}}}},
            **openapi.outcomes({404: "No authorization server is listed."}),
        },
    )  # fmt: skip
    async def smart_configuration() -> Response:
        """Where a client gets its access token (SMART App Launch 2.2)."""
        if told is None:
            raise problems.not_found()
        return Response(orjson.dumps(told), media_type="application/json")
