"""Entries of the log as an auditor may see them, whichever address he asks at.

Everything is looked up within the tenant of the one who asks: what is another's is not found.
Until callers are authenticated all are of one tenant, the nameless one.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import orjson
from starlette.types import Scope

from cds_service.audit.leaf import belongs
from cds_service.audit.record import ERASURE, FEEDBACK, READING, RECOMMENDATION, Entry, Origin
from cds_service.audit.store import Logged, Query, Store
from cds_service.audit.tree import leaf_hash
from cds_service.errors import PayloadErased, RequestError
from cds_service.fhir.audit_event import Event
from cds_service.fhir.read_feedback import Feedback, read_feedback
from cds_service.service.deciding import is_note
from cds_service.service.hooks import is_hook
from cds_service.service.readings import reading_of
from cds_service.web import problems
from cds_service.web.search import with_guidance
from cds_service.web.search_values import ID

Who = Callable[[Scope], Origin]
"""Says of whom a request is."""
MOST_ABOUT = 1000
"""Feedbacks that are looked at for one page."""


def nobody(_: Scope) -> Origin:
    """Nobody is known while callers are not authenticated."""
    return Origin()


async def entry_at(store: Store, index: int, tenant: str) -> Logged:
    """The entry at an index; raises Refused (404) when there is none of this tenant."""
    logged = await store.get(index)
    if logged is None or logged.head.origin.tenant != tenant:
        raise problems.beyond_the_log()
    return logged


def opened(logged: Logged) -> Entry:
    """What an entry holds; raises PayloadErased, and Refused (500) when it was altered."""
    entry = unproved(logged)
    if logged.payload is None or not belongs(logged.leaf, logged.payload):
        raise problems.altered(logged.index)
    return entry


def unproved(logged: Logged) -> Entry:
    """What an entry holds, whether or not it was altered; raises PayloadErased."""
    if logged.entry is None:
        raise PayloadErased(logged.index)
    return logged.entry


async def of_decision(
    store: Store, decision: str, tenant: str, limit: int = 1
) -> Sequence[tuple[Logged, Entry]]:
    """The newest recommendations of one decision; raises Refused (404) when there is none."""
    _check_id(decision)
    query = Query(tenant=tenant, kinds=(RECOMMENDATION,), decision_id=decision, limit=limit)
    found = [(each, each.entry) for each in await store.find(query) if each.entry is not None]
    if not found:
        raise problems.no_such_decision()
    return found


async def guidance_of(store: Store, decision: str, tenant: str) -> tuple[Logged, Entry]:
    """The newest entry of a decision that has a GuidanceResponse; raises Refused (404)."""
    _check_id(decision)
    query = replace(with_guidance(tenant), decision_id=decision, limit=1)
    for logged in await store.find(query):
        return logged, opened(logged)
    raise problems.no_such_decision()


def _check_id(decision: str) -> None:
    # Not every database takes every text: what is no id of FHIR's is not looked for.
    if not ID.fullmatch(decision):
        raise problems.no_such_decision()


async def chosen(
    store: Store, decision: str | None, index: int | None, tenant: str, limit: int
) -> Sequence[tuple[Logged, Entry]]:
    """The recommendations that an operation is about: one entry, or all of the decision.

    Raises Refused (404) when the entry is not of the decision, PayloadErased when it was erased:
    of an erased entry nobody can say any more which decision it was of.
    """
    if index is None:
        if decision is None:
            raise problems.entry_needed()
        return await of_decision(store, decision, tenant, limit)
    logged = await entry_at(store, index, tenant)
    if logged.head.kind != RECOMMENDATION:
        raise problems.no_recommendation()
    entry = unproved(logged)
    if decision not in (None, entry.decision_id):
        raise problems.no_such_decision()
    return [(logged, entry)]


async def erasures(store: Store, found: Iterable[Logged]) -> dict[int, int]:
    """Which entry tells of the erasure of each that was erased."""
    erased = tuple(each.index for each in found if each.entry is None)
    if not erased:
        return {}
    told = await store.find(Query(kinds=(ERASURE,), abouts=erased, limit=MOST_ABOUT))
    return {each.head.about: each.index for each in told if each.head.about is not None}


async def feedbacks(store: Store, indexes: Sequence[int], tenant: str) -> Sequence[Logged]:
    """The feedbacks about these entries, newest first."""
    if not indexes:
        return ()
    query = Query(tenant=tenant, kinds=(FEEDBACK,), abouts=tuple(indexes), limit=MOST_ABOUT)
    return await store.find(query)


def event(logged: Logged, erased_by: int | None = None) -> Event:
    """An entry as it is shown."""
    head, entry = logged.head, logged.entry
    shown = Event(
        index=logged.index,
        kind=head.kind,
        recorded=head.recorded,
        tenant=head.origin.tenant,
        caller=head.origin.caller,
        protocol=head.protocol,
        content_digest=head.content_digest,
        code_version=head.code_version,
        leaf_hash=leaf_hash(logged.leaf),
        about=head.about,
        erased=entry is None,
        erased_by=erased_by,
    )
    if entry is None:
        return shown
    if logged.payload is None or not belongs(logged.leaf, logged.payload):
        return replace(shown, altered=True)  # nothing that it says is to be believed
    return replace(
        shown,
        decision=entry.decision_id,
        patient=entry.patient,
        outcome=entry.outcome,
        key=entry.key,
        note=is_note(entry),
        hook=is_hook(entry),
        feedback=_feedback(entry) if head.kind == FEEDBACK else None,
        reason=_why(entry) if head.kind == ERASURE else "",
        **(_reading(entry) if head.kind == READING else {}),
    )


def _feedback(entry: Entry) -> Feedback | None:
    """What a feedback said; None when it came in another form than `$feedback`."""
    try:
        return read_feedback(entry.request)
    except RequestError:
        return None


def _reading(entry: Entry) -> dict[str, Any]:
    """What a reading says of itself, as fields of an Event."""
    read = reading_of(entry)
    shown = {"shown": read.entries, "shown_count": read.count}
    return {"read": read.what, "read_by": read.by, **shown}


def _why(entry: Entry) -> str:
    """The reason that an erasure gives."""
    return str(orjson.loads(entry.request).get("reason", ""))
