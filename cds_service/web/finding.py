"""One search in the log: what matches, and the Bundle that says so (FHIR R4 search.html)."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from starlette.datastructures import URL

from cds_service.audit.store import Logged, Query, Store
from cds_service.errors import Problem
from cds_service.fhir.outcome import outcome
from cds_service.fhir.write_json import Json
from cds_service.web.records import entry_at, opened
from cds_service.web.search_values import PATIENT_OF, Search

SEARCHING = "/_search"
"""Ends the address of a search by POST (FHIR R4 http.html#search)."""


@dataclass(frozen=True, slots=True)
class Found:
    """One page of what matches."""

    search: Search
    logged: Sequence[Logged]
    total: int | None
    """How many match on all pages; None: nobody asked, and this page does not show it."""
    below: int | None
    """Where the next page begins; None when this is the last."""


async def find(store: Store, asked: Search, tenant: str) -> Found:
    """Search the entries of a tenant; raises Refused, PayloadErased, LogUnavailable."""
    query = await _with_patient(store, asked, tenant)
    if asked.nothing or query is None:
        return Found(asked, (), 0, None)
    asked = replace(asked, query=query)
    if asked.ids is not None:
        named = [each for index in asked.ids if (each := await _at(store, query, index))]
        return Found(asked, named, len(named), None)
    counted = await store.count(query) if asked.total or not asked.count else None
    if not asked.count:
        return Found(asked, (), counted, None)
    found = await store.find(replace(query, limit=asked.count + 1))
    page, more = found[: asked.count], len(found) > asked.count
    if counted is None and not more and not asked.page.starts:
        counted = len(page)
    return Found(asked, page, counted, page[-1].index if more else None)


async def _with_patient(store: Store, asked: Search, tenant: str) -> Query | None:
    """The query with the patient of the entry that a link names; None when it has none."""
    if asked.patient_of is None:
        return asked.query
    patient = opened(await entry_at(store, asked.patient_of, tenant)).patient
    return replace(asked.query, patient=patient) if patient else None


async def _at(store: Store, query: Query, index: int) -> Logged | None:
    """The entry at one index, if it matches too."""
    newest = await store.find(replace(query, below=index + 1, limit=1))
    return next((each for each in newest if each.index == index), None)


def search_set(url: URL, found: Found, resources: Sequence[tuple[str, Json]]) -> Json:
    """The Bundle: `resources` with their ids, links, and what was passed over."""
    here = url.replace(path=url.path.removesuffix(SEARCHING), query="", fragment="")
    entries: list[Json] = [
        {"fullUrl": f"{here}/{name}", "resource": resource, "search": {"mode": "match"}}
        for name, resource in resources
    ]
    if told := _told(found):
        warned = outcome(told, severity="warning")
        entries.append({"resource": warned, "search": {"mode": "outcome"}})
    bundle: Json = {"resourceType": "Bundle", "type": "searchset"}
    if found.total is not None:
        bundle["total"] = found.total
    bundle["link"] = [{"relation": name, "url": link} for name, link in _links(here, found)]
    return bundle | ({"entry": entries} if entries else {})


def _links(here: URL, found: Found) -> list[tuple[str, str]]:
    """Links name no patient: in his place stands an entry of his, which is found in the log."""
    said, page = list(found.search.said), found.search.page
    if found.search.patient_of is None and found.search.query.patient and found.logged:
        said.append((PATIENT_OF, str(found.logged[0].index)))
    pages = {"self": page, "first": replace(page, starts=(), forgotten=False)}
    if found.below is not None:
        pages["next"] = page.next(found.below)
    if (before := page.previous()) is not None:
        pages["previous"] = before
    links = []
    for relation, each in pages.items():
        query = urlencode([*said, *([("_page", str(each))] if each.starts else [])], safe=",/|:")
        links.append((relation, f"{here}?{query}" if query else str(here)))
    return links


def _told(found: Found) -> list[Problem]:
    asked = found.search
    told = [
        Problem("not-supported", f"The parameter {name} was passed over.", "Leave it out.")
        for name in asked.ignored
    ]
    if asked.unknown:
        what = f"{asked.unknown} parameters are not known and were passed over."
        told.append(Problem("not-supported", what, "GET /fhir/metadata says what is known."))
    if asked.query.patient and asked.patient_of is None and not found.logged:
        what = "Nothing was found, so the links cannot name the patient by an entry of his."
        told.append(Problem("informational", what, "Search again with the patient."))
    return told
