"""The list with its charts: what one search shows."""

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from msgspec import DecodeError

from cds_service.audit.record import RECOMMENDATION
from cds_service.audit.store import Logged, Query, Store
from cds_service.errors import LogUnavailable
from cds_service.service import Service
from cds_service.service.hooks import is_hook
from cds_service.web import problems
from cds_service.web.records import entry_at, opened
from cds_service.web.site.records import doses
from cds_service.web.site.records.asked import ON_A_PAGE, Asked
from cds_service.web.site.records.charts import Summary, summary
from cds_service.web.site.records.counting import Counting
from cds_service.web.site.records.listing import Row, readable, rows, unaltered
from cds_service.web.site.records.tally import ACCEPTED, OVERRIDDEN, Counted, Kind, Tally, within

MOST_OF_PATIENT = 1000
"""Recommendations for one patient that are counted."""
MOST_DOSES = 200
"""Recommendations, the newest of a selection, of which the doses are read for one chart."""
_KEPT = 20_000
"""Entries of which the doses are kept in memory."""
_NOWHERE = (-1,)
"""No entry."""
_REVIEWS = {"accepted": ACCEPTED, "overridden": OVERRIDDEN}


@dataclass(frozen=True, slots=True)
class Found:
    """What one search shows."""

    rows: Sequence[Row]
    summary: Summary
    whole: bool
    """Whether the whole log was counted."""
    before: str
    after: str
    """Addresses of the page before and after; "" when there is none."""


class Searching:
    """Searches one service's log."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._store: Store = service.store
        self._counting = Counting(service.store, service.clock)
        self._doses: OrderedDict[int, tuple[doses.Point, ...]] = OrderedDict()

    async def options(self, tenant: str) -> dict[str, list[str]]:
        """What the lists of the form offer: what the log has."""
        tally, _ = await self._counting.tally()
        own = [kind for kind, _ in tally.kinds(lambda kind: kind.tenant == tenant)]
        return {
            "class": sorted({code for kind in own for code in kind.classes}),
            "protocol": sorted({kind.protocol for kind in own}),
            "clinic": sorted({kind.caller for kind in own if kind.caller}),
        }

    async def query(self, asked: Asked, tenant: str) -> Query | None:
        """What the store is asked for; None when nothing can match.

        Raises Refused, PayloadErased when the entry that names the patient is not to be read.
        """
        query = asked.query(tenant, self._service.clock().tzinfo)
        if asked.patient_of is None:
            return query
        try:
            named = await entry_at(self._store, asked.patient_of, tenant)
        except LogUnavailable:
            if await self._store.outlines(Query(positions=(asked.patient_of,), limit=1)):
                raise problems.altered(asked.patient_of) from None
            raise
        patient = opened(named).patient
        return replace(query, patient=patient) if patient else None

    async def of_patient(self, patient: str, tenant: str) -> int | None:
        """The newest entry of a patient, to stand for him in an address."""
        query = Query(tenant=tenant, kinds=(RECOMMENDATION,), patient=patient, limit=1)
        found = await self._store.outlines(query)
        return found[0].position if found else None

    async def find(self, asked: Asked, tenant: str) -> Found:
        """The page of the list that is asked for, and the summary of the whole selection."""
        query = await self.query(asked, tenant)
        tally, whole = await self._counting.tally()
        if query is None:
            return Found((), summary(()), whole, "", "")
        narrow = self._narrowed(tally, asked, query) if whole else query
        found = await rows(self._store, narrow)
        if narrow.positions != _NOWHERE and len(found) < len(narrow.positions):
            found = await rows(self._store, query)  # one of them was erased just now
        shown, more = found[:ON_A_PAGE], len(found) > ON_A_PAGE
        previous = asked.page.previous()
        return Found(
            shown,
            summary(await self._counted(tally, asked, query)),
            whole,
            "" if previous is None else asked.address(page=previous),
            asked.address(page=asked.page.next(shown[-1].index)) if more else "",
        )

    async def doses(self, asked: Asked, tenant: str) -> tuple[list[doses.Spread], int, int]:
        """How doses lie, of how many entries they were read, and how many were altered."""
        query = await self.query(asked, tenant)
        if query is None:
            return [], 0, 0
        tally, whole = await self._counting.tally()
        query = replace(query, below=None, limit=MOST_DOSES)
        query = self._narrowed(tally, asked, query) if whole else query
        outlines = [each for each in await self._store.outlines(query) if not each.erased]
        new = tuple(each.position for each in outlines if each.position not in self._doses)
        altered = 0
        if new:
            wanted = Query(positions=new, limit=len(new))
            for each in await readable(self._store, wanted):
                if isinstance(each, Logged) and unaltered(each):
                    self._keep(each)
                else:
                    altered += not isinstance(each, Logged) or each.entry is not None
        known = [self._doses[each.position] for each in outlines if each.position in self._doses]
        return doses.spreads(point for several in known for point in several), len(known), altered

    def _narrowed(self, tally: Tally, asked: Asked, query: Query) -> Query:
        """The same query of those entries only that the tally has for it.

        The store still asks everything of them; but what is rare, or not there at all, it would
        look for through the whole log.
        """
        if asked.patient_of is not None:
            return query
        wanted = wanted_kinds(asked, query.tenant or "")
        days = {"since": asked.since, "until": asked.until}
        found = tally.newest(wanted, query.limit, below=query.below, **days)
        return replace(query, positions=tuple(found) or _NOWHERE)

    def _keep(self, logged: Logged) -> None:
        entry = logged.entry
        assert entry is not None  # noqa: S101 - only what is there is unaltered
        self._doses[logged.index] = () if is_hook(entry) else _points(entry.response)
        while len(self._doses) > _KEPT:
            self._doses.popitem(last=False)

    async def _counted(self, tally: Tally, asked: Asked, query: Query) -> Counted:
        if asked.patient_of is None:
            kinds = tally.kinds(wanted_kinds(asked, query.tenant or ""))
            return within(kinds, asked.since, asked.until)
        own = await self._store.outlines(replace(query, below=None, limit=MOST_OF_PATIENT))
        return tally.of(each.position for each in own)


def _points(response: bytes) -> tuple[doses.Point, ...]:
    try:
        return doses.points(response)
    except DecodeError:  # not an answer as this program writes them: no dose can be told
        return ()


def wanted_kinds(asked: Asked, tenant: str) -> Callable[[Kind], bool]:
    """Whether a kind is of the selection, but for its days: what `audit.search` asks too."""
    mark, version = _REVIEWS.get(asked.feedback, 0), f"{asked.protocol}|"

    def wanted(kind: Kind) -> bool:
        return (
            kind.tenant == tenant
            and (not asked.clinic or kind.caller == asked.clinic)
            and (not asked.held or asked.held in kind.classes)
            and (not asked.outcome or kind.outcome == asked.outcome)
            and (not mark or bool(kind.review & mark))
            and (
                not asked.protocol
                or kind.protocol == asked.protocol
                or kind.protocol.startswith(version)
            )
        )

    return wanted


def no_entry() -> problems.Refused:
    """404: the log has no such entry for this tenant."""
    remedy = "Look at the number again, or search in the list of records."
    return problems.refused(404, "not-found", "The log has no such entry.", remedy)
