"""`GET /fhir/metadata` and the conformance artefacts, from one table of what is served.

FHIR R4 capabilitystatement.html, http.html#read and #search. The table makes both the routes
and the CapabilityStatement, so that it cannot claim what is not there.
"""

import asyncio
from collections.abc import Iterable, Mapping
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts import every
from cds_service.service import Service
from cds_service.web import openapi, problems, representation
from cds_service.web.apply import TYPE, check_acceptable
from cds_service.web.artefact_search import SEARCH, search_set
from cds_service.web.representation import WRONG_SUMMARY, Ready
from cds_service.web.search import GUIDANCE, PARAMETERS

Json = dict[str, Any]
Table = Mapping[str, Mapping[str, Json]]
"""Resource type -> id -> the artefact."""

_ID = openapi.in_path("id", "Id of the artefact.", openapi.ID)
_QUERY = [
    openapi.query("_id", "Only the artefact of this id; several with commas."),
    openapi.query("url", "Only those of this canonical address; several with commas."),
    openapi.query("name", "Only those whose name begins so, in capitals or not."),
    openapi.query("version", "Only those of this version; several with commas."),
    *representation.QUERY,
    openapi.header("Prefer", "`handling=strict` refuses a search parameter that is not known."),
]
_BATCH = (
    "POST to the base: each entry is answered and recorded as if it had come alone. No transaction."
)
_NOT_JSON = {406: "The caller does not accept FHIR R4 in JSON."}
_NOT_FOUND = {404: "There is no such artefact."}
_NOT_KNOWN = {
    400: "`_summary` is not one that is known, or, under `Prefer: handling=strict`, a search "
    "parameter is not."
}


def served(service: Service, others: Iterable[Protocol] = ()) -> Table:
    """What may be read: every artefact, by type and id, in a fixed order."""
    table: dict[str, dict[str, Json]] = {}
    made = every(service.protocol, service.base, others)
    for (kind, name), artefact in sorted(made.items()):
        table.setdefault(kind, {})[name] = artefact
    return table


class Published:
    """The artefacts of the edition in use, at once; those of every other when first asked for.

    Loading the other editions takes a good part of a second: no start waits for that.
    """

    def __init__(self, service: Service) -> None:
        self.in_use = served(service)
        self._service = service
        self._lock = asyncio.Lock()
        self._all: Table | None = None

    async def all(self) -> Table:
        """The artefacts of every edition."""
        async with self._lock:
            if self._all is None:
                self._all = await asyncio.to_thread(self._load)
        return self._all

    def _load(self) -> Table:
        return served(self._service, self._service.others())


_SECURED = {
    "service": [
        {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/restful-security-service",
                    "code": "SMART-on-FHIR",
                    "display": "SMART-on-FHIR",
                }
            ]
        }
    ],
    "description": "A bearer token of a listed issuer, signed with RS384 or ES384: SMART Backend "
    "Services, or one that the client signs for the call. Health, metadata and the published "
    "artefacts are open.",
}
_LOCAL = {"description": "None: the service serves the machine that it runs on, and no other."}


def capability_statement(service: Service, table: Table, *, secured: bool = False) -> Json:
    """What this server does, for `table` and the operation; `secured`: callers need tokens."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "draft",
        "experimental": True,
        "date": service.clock().date().isoformat(),
        "publisher": "cds-service",
        "kind": "instance",
        "software": {"name": "cds-service", "version": service.code_version},
        "implementation": {
            "description": f"Protocol {service.protocol.name}, content {service.protocol.digest}"
        },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [
            {
                "mode": "server",
                "security": _SECURED if secured else _LOCAL,
                "resource": _resources(table),
                "interaction": [{"code": "batch", "documentation": _BATCH}],
            }
        ],
    }


def _resources(table: Table) -> list[Json]:
    resources: list[Json] = []
    for kind in sorted({*table, *PARAMETERS, TYPE}):
        resource: Json = {"type": kind}
        if kind in table:
            resource |= _searched(("read", "search-type"), SEARCH.items())
            resource["versioning"] = "no-version"
        elif kind in PARAMETERS:
            resource |= _of_the_log(kind)
        operations = [
            {"name": definition["code"], "definition": definition["url"]}
            for definition in table.get("OperationDefinition", {}).values()
            if kind in definition["resource"]
        ]
        if operations:
            resource["operation"] = operations
        resources.append(resource)
    return resources


def _of_the_log(kind: str) -> Json:
    """AuditEvents, and GuidanceResponses: each entry of a decision is a version of its own."""
    versions = kind == GUIDANCE
    codes = ("read", "vread", "search-type") if versions else ("read", "search-type")
    resource = _searched(codes, [(each.name, each.kind) for each in PARAMETERS[kind]])
    for said, each in zip(resource["searchParam"], PARAMETERS[kind], strict=True):
        said["documentation"] = each.about
    return resource | {"versioning": "versioned" if versions else "no-version"}


def _searched(codes: Iterable[str], parameters: Iterable[tuple[str, str]]) -> Json:
    return {
        "interaction": [{"code": code} for code in codes],
        "searchParam": [{"name": name, "type": form} for name, form in parameters],
    }


def add_routes(app: FastAPI, service: Service, *, secured: bool = False) -> dict[str, Ready]:
    """Add `/fhir/metadata`, and `/fhir/{type}` and `/fhir/{type}/{id}` for what is served.

    What is at each address when nothing more is asked is returned: it can be sent from memory.
    """
    published = Published(service)
    statement = capability_statement(service, published.in_use, secured=secured)
    whole = {"/fhir/metadata": representation.ready(statement)}

    @app.get(
        "/fhir/metadata",
        tags=["conformance"],
        response_class=Response,
        responses=_answers("The statement.", "CapabilityStatement", WRONG_SUMMARY | _NOT_JSON),
        openapi_extra={"parameters": representation.QUERY},
    )
    async def read_metadata(request: Request) -> Response:
        """The CapabilityStatement of this server (FHIR R4 `capabilities`)."""
        check(request)
        return representation.respond(request, statement, whole["/fhir/metadata"])

    for kind in published.in_use:
        whole |= _add_type(app, kind, published)
    return whole


def _add_type(app: FastAPI, kind: str, published: Published) -> dict[str, Ready]:
    in_use = published.in_use[kind]
    written = {name: representation.ready(artefact) for name, artefact in in_use.items()}

    @app.get(
        f"/fhir/{kind}",
        tags=["conformance"],
        name=f"search {kind}",
        response_class=Response,
        responses=_answers("Those that were found.", "Bundle", _NOT_KNOWN | _NOT_JSON),
        openapi_extra={"parameters": _QUERY},
    )
    async def search(request: Request) -> Response:
        """Every artefact of this type; `_id`, `url`, `name` and `version` narrow it down."""
        check(request)
        return search_set(request, (await published.all())[kind])

    # The id is taken from the request itself: of a declared one the framework would claim that
    # it may be refused with 422, in a shape that is not FHIR's.
    @app.get(
        f"/fhir/{kind}/{{id}}",
        tags=["conformance"],
        name=f"read {kind}",
        response_class=Response,
        responses=_answers("The artefact.", kind, WRONG_SUMMARY | _NOT_FOUND | _NOT_JSON),
        openapi_extra={"parameters": [_ID, *representation.QUERY]},
    )
    async def read(request: Request) -> Response:
        """One artefact by its id."""
        check(request)
        name = request.path_params["id"]
        if name in written:
            return representation.respond(request, in_use[name], written[name])
        found = (await published.all())[kind]
        if name not in found:
            raise problems.not_found()
        return representation.respond(request, found[name])

    return {f"/fhir/{kind}/{name}": one for name, one in written.items()}


def _answers(about: str, kind: str, refusals: Mapping[int, str]) -> dict[int | str, Json]:
    shape = {
        "type": "object",
        "description": f"FHIR {kind}.",
        "properties": {"resourceType": {"const": kind}},
        "required": ["resourceType"],
    }
    good: dict[int | str, Json] = {200: openapi.resource(about, shape)}
    return {**good, **representation.NOT_CHANGED, **openapi.outcomes(refusals)}


def check(request: Request) -> None:
    """Raise Refused (406) unless the caller takes FHIR in JSON."""
    check_acceptable(request.headers.get("accept", ""), request.scope["query_string"])
