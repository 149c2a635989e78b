"""What was asked here before, from the log: to go on from it, to compare with it, to keep it.

Only entries that this page made are found, whatever index somebody sends.
"""

import re
from collections.abc import Mapping
from dataclasses import replace

from starlette.responses import Response

from cds_service.audit.record import Entry, Origin
from cds_service.service import Service
from cds_service.web import problems
from cds_service.web.negotiate import FHIR_JSON
from cds_service.web.records import entry_at, opened
from cds_service.web.site.trying import CALLER

ENTRY, PART = "entry", "part"
FILES = ("request", "response")
_INDEX = re.compile(r"\d{1,15}", re.ASCII)


def here(origin: Origin) -> Origin:
    """Who asks, when he asks on this page."""
    return replace(origin, caller=".".join(filter(None, (origin.caller, CALLER))))


class Kept:
    """The entries of the page in one service's log."""

    def __init__(self, service: Service) -> None:
        self._store = service.store

    async def entry(self, index: str, origin: Origin) -> Entry:
        """The entry, if `origin` made it here; raises Refused (404), PayloadErased, LogUnavailable.

        Another client of the same organisation may ask, but not read the log.
        """
        if not _INDEX.fullmatch(index):
            raise problems.beyond_the_log()
        logged = await entry_at(self._store, int(index), origin.tenant)
        if logged.head.origin != here(origin):
            raise problems.beyond_the_log()
        return opened(logged)

    async def download(self, asked: Mapping[str, str], origin: Origin) -> Response:
        """The request or the response of an entry, the very bytes; raises as `entry`."""
        entry = await self.entry(asked.get(ENTRY, ""), origin)
        part = asked.get(PART, "")
        if part not in FILES:
            raise problems.not_found()
        headers = {"content-disposition": f'attachment; filename="{part}.json"'}
        body = entry.request if part == FILES[0] else entry.response
        return Response(body, headers=headers, media_type=FHIR_JSON)
