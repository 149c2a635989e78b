"""Searching the conformance artefacts: FHIR R4 search.html, over what is in memory."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from cds_service.web import problems, representation
from cds_service.web.prefer import preferences

Json = dict[str, Any]

SEARCH = {"_id": "token", "url": "uri", "name": "string", "version": "token"}
"""Search parameters of every served type, with their FHIR type."""


def search_set(request: Request, found: Mapping[str, Json]) -> Response:
    """A searchset Bundle; parameters we do not know are left out.

    Raises Refused (400) for one of those under `Prefer: handling=strict`.
    """
    asked = [(name, value) for name, value in request.query_params.multi_items()]
    known = (*SEARCH, *representation.SHAPING)
    if any(name not in known for name, _ in asked):
        _passed_over(preferences(request.headers.get("prefer", "")).strict)
    used = [(name, value) for name, value in asked if name in SEARCH]
    matches = {
        name: artefact
        for name, artefact in found.items()
        if all(_matches(artefact, parameter, value) for parameter, value in used)
    }
    here = request.url.replace(query="", fragment="")
    said = here.replace(query=urlencode(used))
    bundle: Json = {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(matches),
        "link": [{"relation": "self", "url": str(said)}],
    }
    parts = [
        (name, representation.shown(each, request.query_params)) for name, each in matches.items()
    ]
    if parts and request.query_params.get("_summary") != "count":  # FHIR has no empty arrays
        bundle["entry"] = [
            {"fullUrl": f"{here}/{name}", "resource": part, "search": {"mode": "match"}}
            for name, part in parts
        ]
    return representation.respond_bundle(request, bundle)


def _passed_over(strict: bool) -> None:
    if strict:
        remedy = f"Search by {' or '.join(SEARCH)}."
        raise problems.refused(400, "not-supported", "A search parameter is not known.", remedy)


def _matches(artefact: Json, parameter: str, value: str) -> bool:
    """Whether one of the values, parted by commas, is that of the artefact."""
    own, values = artefact[parameter.lstrip("_")], value.split(",")
    if SEARCH[parameter] == "string":  # the beginning, in capitals or not
        return any(each and own.lower().startswith(each.lower()) for each in values)
    if SEARCH[parameter] == "token":  # a version and an id have no system
        values = [each.removeprefix("|") for each in values]
    return own in values
