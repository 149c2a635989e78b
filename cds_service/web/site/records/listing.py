"""The recommendations of one list, also when one of them was altered and cannot be read."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256

from cds_service.audit.leaf import commitment
from cds_service.audit.outline import Outline
from cds_service.audit.record import ERASURE, FEEDBACK
from cds_service.audit.store import Logged, Query, Store
from cds_service.errors import LogUnavailable
from cds_service.service.deciding import is_note
from cds_service.service.hooks import is_hook
from cds_service.web.records import MOST_ABOUT

PRESENT, ERASED, ALTERED, GONE = "", "erased", "altered", "gone"
"""GONE: there is no payload, and no erasure says why."""


@dataclass(frozen=True, slots=True)
class Row:
    """One recommendation in a list."""

    index: int
    recorded: datetime
    clinic: str
    protocol: str
    outcome: str
    classes: tuple[str, ...]
    kind: str = ""
    """"note", "cards", or "" for a plan."""
    state: str = PRESENT
    fed_back: tuple[str, ...] = ()


async def rows(store: Store, query: Query) -> list[Row]:
    """The rows of what matches, newest first; raises LogUnavailable."""
    found = [_row(each) for each in await readable(store, query)]
    told = await fed_back(store, [row.index for row in found], query.tenant)
    explained = await erased(store, [row.index for row in found if row.state == ERASED])
    return [
        replace(
            row,
            fed_back=told.get(row.index, ()),
            state=GONE if row.state == ERASED and row.index not in explained else row.state,
        )
        for row in found
    ]


async def erased(store: Store, indexes: Sequence[int]) -> set[int]:
    """Those of these entries of which an erasure tells."""
    if not indexes:
        return set()
    query = Query(kinds=(ERASURE,), abouts=tuple(indexes), limit=len(indexes))
    return {each.about for each in await store.outlines(query) if each.about is not None}


async def readable(store: Store, query: Query) -> Sequence[Logged | Outline]:
    """What matches; of what cannot be read only the outline. Raises LogUnavailable.

    An altered entry must not hide all others from whoever looks for it.
    """
    try:
        return await store.find(query)
    except LogUnavailable:
        return [await _one(store, each) for each in await store.outlines(query)]


async def _one(store: Store, outline: Outline) -> Logged | Outline:
    try:
        return await store.get(outline.position) or outline
    except LogUnavailable:
        return outline


async def fed_back(
    store: Store, indexes: Sequence[int], tenant: str | None
) -> dict[int, tuple[str, ...]]:
    """What was fed back about each of these entries, the oldest first."""
    if not indexes:
        return {}
    query = Query(tenant=tenant, kinds=(FEEDBACK,), abouts=tuple(indexes), limit=MOST_ABOUT)
    told: dict[int, tuple[str, ...]] = {}
    for each in reversed(await store.outlines(query)):
        if each.about is not None and each.outcome:
            told[each.about] = (*told.get(each.about, ()), each.outcome)
    return told


def unaltered(logged: Logged) -> bool:
    """Whether the leaf commits to the payload that is there, without hashing it once more."""
    entry, payload = logged.entry, logged.payload
    if entry is None or payload is None:
        return False
    hashes = bytes.fromhex(entry.request_sha256), bytes.fromhex(entry.response_sha256)
    rest = sha256(payload.rest).digest()
    return commitment(payload.salt, *hashes, rest) == logged.head.commitment


def _row(found: Logged | Outline) -> Row:
    if isinstance(found, Outline):
        # Its columns may have been altered too: only where it stands is told.
        return Row(
            found.position, found.recorded, found.caller, found.protocol, "", (), "", ALTERED
        )
    head, entry = found.head, found.entry
    row = Row(found.index, head.recorded, head.origin.caller, head.protocol, "", ())
    if entry is None:
        return replace(row, state=ERASED)
    if not unaltered(found):
        return replace(row, state=ALTERED)
    kind = "note" if is_note(entry) else "cards" if is_hook(entry) else ""
    return replace(row, outcome=entry.outcome, classes=entry.classes, kind=kind)
