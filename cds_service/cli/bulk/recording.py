"""The log of a bulk: entries in the order of the lines, a portion in one durable commit."""

import asyncio
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from cds_service.audit.record import Entry
from cds_service.audit.store import Receipt
from cds_service.settings import Settings


class Recording:
    """Opens the log, adds to it, and closes it; raises LogUnavailable and SettingsError."""

    def __init__(self, settings: Settings) -> None:
        self.log = settings.log
        self.indices: list[int] = []
        """The first and the last entry."""
        self.count = 0
        """How many are durable."""
        self._loop = asyncio.Runner()
        self._store = settings.store()

    def add(self, entries: Sequence[Entry]) -> None:
        """Wait until all of them are durable."""
        if entries:
            self._loop.run(self._appended(entries))

    async def _appended(self, entries: Sequence[Entry]) -> None:
        appended = (self._store.append(each) for each in entries)
        outcomes = await asyncio.gather(*appended, return_exceptions=True)
        for each in outcomes:
            if isinstance(each, Receipt):
                self.indices = [*self.indices[:1], each.index]
                self.count += 1
        for each in outcomes:
            if isinstance(each, BaseException):
                raise each

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._loop.run(self._store.close())
        finally:
            self._loop.close()
