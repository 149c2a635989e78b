"""Keeps the tally of a log up to date, without keeping a page waiting."""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta

from cds_service.audit.store import Store
from cds_service.errors import LogUnavailable
from cds_service.web.site.records.tally import Tally

_SLICE = 1000
"""Entries that are read at a time: whoever waits for a recommendation gets his turn between."""


class Counting:
    """The tally of one store; `now` is the clock of the service."""

    def __init__(self, store: Store, now: Callable[[], datetime], patience: float = 0.03) -> None:
        self._store = store
        self._now = now
        self._patience = patience
        self._offset: timedelta | None = None
        self._tally = Tally(None)
        self._rest: asyncio.Task[None] | None = None

    async def tally(self) -> tuple[Tally, bool]:
        """The tally, and whether it has the whole log; raises LogUnavailable.

        What cannot be looked at within some hundredths of a second is looked at afterwards.
        """
        now = self._now()
        if self._offset != now.utcoffset():
            self._offset, self._tally = now.utcoffset(), Tally(now.tzinfo)
        if self._rest is not None and not self._rest.done():
            return self._tally, False
        whole = await self._go_on(time.monotonic() + self._patience)
        if not whole:
            self._rest = asyncio.create_task(self._finish())
        return self._tally, whole

    async def _finish(self) -> None:
        with suppress(LogUnavailable):  # the next page tries again
            await self._go_on(float("inf"))

    async def _go_on(self, deadline: float) -> bool:
        """Look at what is new until then; whether that was all."""
        while True:
            tally, first = self._tally, self._tally.size
            part = await self._store.outlines_from(first, _SLICE)
            if tally is self._tally and tally.size == first:  # nobody else added it meanwhile
                tally.add(part)
                if len(part) < _SLICE:
                    return True
            if time.monotonic() >= deadline:
                return False
