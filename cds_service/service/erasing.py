"""Erasing what the log no longer may hold: what is recorded of it, and the retention."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from datetime import datetime

import orjson

from cds_service.audit.record import ERASURE, Entry, Origin, told
from cds_service.errors import LogUnavailable

_log = logging.getLogger(__name__)

DAY = 24 * 3600.0
"""Seconds between two looks for what is too old."""
HOUR = 3600.0
"""Seconds after which it is tried again when the log could not be written."""


def erasure(index: int, reason: str, now: datetime, code_version: str, origin: Origin) -> Entry:
    """What is recorded when the payload of an entry is erased; it names no infant."""
    request = orjson.dumps({"reason": reason})
    return told(ERASURE, request, now, code_version, origin=origin, about=index)


@asynccontextmanager
async def retention(days: int, erase_old: Callable[[int], Awaitable[int]]) -> AsyncIterator[None]:
    """Inside, what was recorded more than `days` ago is erased now and once a day; 0: nothing."""
    if not days:
        yield
        return
    task = asyncio.create_task(_daily(days, erase_old))
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _daily(days: int, erase_old: Callable[[int], Awaitable[int]]) -> None:
    while True:
        wait = DAY
        try:
            if erased := await erase_old(days):
                _log.warning("audit log: %d entries older than %d days erased", erased, days)
        except LogUnavailable as error:
            _log.error("audit log: what is older than %d days is not erased yet: %s", days, error)
            wait = HOUR
        await asyncio.sleep(wait)
