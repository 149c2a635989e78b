"""What became of a recommendation: fed back, printed, erased; as other entries of the log say."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import orjson

from cds_service.audit.outline import Outline
from cds_service.audit.record import BESIDE, ERASURE, RENDERING, Entry
from cds_service.audit.store import Logged, Query, Store
from cds_service.errors import RequestError
from cds_service.fhir.read_feedback import read_feedback
from cds_service.label.printing import PAPERS
from cds_service.web.records import MOST_ABOUT
from cds_service.web.site.records.listing import (
    ALTERED,
    ERASED,
    PRESENT,
    readable,
    unaltered,
)


@dataclass(frozen=True, slots=True)
class Said:
    """One feedback, one label that was printed, or one erasure."""

    index: int
    recorded: datetime
    state: str
    """PRESENT, ERASED or ALTERED; of the last two nothing more is told."""
    outcome: str = ""
    by: str = ""
    reason: str = ""
    comment: str = ""
    printed: str = ""
    """What was printed: paper, format and language."""


async def told_about(store: Store, index: int, tenant: str) -> list[Said]:
    """What was fed back about an entry or printed of it, oldest first; raises LogUnavailable."""
    query = Query(tenant=tenant, kinds=BESIDE, abouts=(index,), limit=MOST_ABOUT)
    return [said(each) for each in reversed(await readable(store, query))]


async def erasure_of(store: Store, index: int) -> Said | None:
    """Why an entry was erased; None when nothing in the log says so. Raises LogUnavailable."""
    query = Query(kinds=(ERASURE,), abouts=(index,), limit=1)
    found = [said(each) for each in await readable(store, query)]
    return next((each for each in found if each.state == PRESENT), None)


def said(found: Logged | Outline) -> Said:
    """What one entry says; of an altered one, that it is."""
    if isinstance(found, Outline):
        return Said(found.position, found.recorded, ALTERED)
    told = Said(found.index, found.head.recorded, PRESENT)
    if found.entry is None:
        return replace(told, state=ERASED)
    if not unaltered(found):
        return replace(told, state=ALTERED)
    return _read(told, found.entry)


def _read(told: Said, entry: Entry) -> Said:
    sent: dict[str, Any] = orjson.loads(entry.request)
    if entry.kind == ERASURE:
        return replace(told, reason=str(sent.get("reason", "")))
    if entry.kind == RENDERING:
        paper = PAPERS.get(sent.get("paper", ""), "")
        parts = (paper, sent.get("format", ""), sent.get("language", ""))
        return replace(told, printed=", ".join(map(str, filter(None, parts))))
    told = replace(told, outcome=entry.outcome)
    try:
        spoken = read_feedback(entry.request)
    except RequestError:
        return _of_card(told, sent)
    return replace(told, by=spoken.by_name or spoken.by, reason=spoken.reason)


def _of_card(told: Said, sent: dict[str, Any]) -> Said:
    """The feedback about a card (CDS Hooks 2.0, Feedback): it names nobody."""
    why = sent.get("overrideReason") or {}
    coded = why.get("reason") or {}
    reason = str(coded.get("display") or coded.get("code") or "")
    return replace(told, reason=reason, comment=str(why.get("userComment") or ""))
