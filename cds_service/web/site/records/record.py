"""One entry of the log, as its page shows it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import orjson

from cds_service.audit.outline import Outline
from cds_service.audit.record import BESIDE, ERASURE, RECOMMENDATION, Entry
from cds_service.audit.store import Logged, Query
from cds_service.errors import LogUnavailable
from cds_service.fhir.audit_event import Event
from cds_service.service import Service
from cds_service.service.deciding import is_note
from cds_service.service.hooks import is_hook
from cds_service.web.records import event
from cds_service.web.site.records.argument import Argument, argument
from cds_service.web.site.records.integrity import Integrity, integrity
from cds_service.web.site.records.raw import set_out
from cds_service.web.site.records.searching import no_entry
from cds_service.web.site.records.told import Section, cards, note
from cds_service.web.site.records.told_back import Said, erasure_of, said, told_about


@dataclass(frozen=True, slots=True)
class Shown:
    """What the page of one entry shows; of an altered or erased one only what stays."""

    outline: Outline
    integrity: Integrity | None
    """None: the entry cannot even be read."""
    event: Event | None = None
    entry: Entry | None = None
    """Only when it is what was recorded."""
    argument: Argument | None = None
    sections: Sequence[Section] = ()
    request: str = ""
    response: str = ""
    feedback: Sequence[Said] = ()
    said: Said | None = None
    """What a feedback or an erasure says."""
    erased_by: Said | None = None
    why: str = ""
    """Why it cannot be read."""

    @property
    def altered(self) -> bool:
        """Whether it is not what was recorded, or cannot be shown to be."""
        return self.integrity is None or not self.integrity.sound or self.unexplained

    @property
    def unexplained(self) -> bool:
        """Whether the payload is gone although no erasure says so."""
        return self.event is not None and self.event.erased and self.erased_by is None

    @property
    def certain(self) -> bool:
        """Whether it is this entry that was altered.

        Where only the path fails it may be another: near the end of the log, up to 255 entries
        are hashed anew for each path.
        """
        return self.integrity is None or self.integrity.payload is False or self.unexplained


async def shown(service: Service, index: int, tenant: str) -> tuple[Shown, Logged | None]:
    """What is shown of an entry, and the entry; raises Refused (404), LogUnavailable."""
    store = service.store
    query = Query(tenant=tenant, positions=(index,), limit=1)
    found = await store.outlines(query)
    if not found:
        raise no_entry()
    outline = found[0]
    try:
        logged = await store.get(index)
    except LogUnavailable as error:
        return Shown(outline, None, why=str(error)), None
    if logged is None or logged.head.origin.tenant != tenant:
        raise no_entry()
    proved = await integrity(store, logged)
    entry = logged.entry
    if not proved.sound or entry is None:
        erased_by = await erasure_of(store, index) if entry is None else None
        return Shown(outline, proved, event(logged), erased_by=erased_by), logged
    plan, sections = _read(entry, service)
    return Shown(
        outline,
        proved,
        event(logged),
        entry,
        plan,
        sections,
        set_out(entry.request),
        set_out(entry.response),
        await told_about(store, index, tenant),
        said(logged) if entry.kind in (*BESIDE, ERASURE) else None,
    ), logged


def _read(entry: Entry, service: Service) -> tuple[Argument | None, Sequence[Section]]:
    """The answer in words; nothing of one that is not as this program writes answers."""
    if entry.kind != RECOMMENDATION:
        return None, ()
    try:
        answer: dict[str, Any] = orjson.loads(entry.response)
        if is_hook(entry):
            return None, cards(answer)
        if is_note(entry):
            return None, note(answer)
        return argument(answer, service.protocol), ()
    except (ValueError, KeyError, IndexError, TypeError, AttributeError):
        return None, ()
