"""Group commit: one thread records whatever waits, many entries in one durable commit.

A commit costs one flush of the disk however many entries it holds, so under load the entries
that arrived during the last flush share the next one. An answer is released by its future,
and only after the commit that holds its entry. One wake-up of the event loop serves a batch.
"""

import asyncio
import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from queue import Empty, SimpleQueue

from cds_service.audit.record import Entry
from cds_service.errors import LogUnavailable

_log = logging.getLogger(__name__)

BATCH = 128
"""The most entries in one commit."""
WAITING = 10_000
"""With so many entries waiting, a further one is refused: the log does not keep up."""


@dataclass(slots=True, eq=False)
class _Waiting:
    """An entry (None: only a trial commit) and the future that its answer waits for."""

    entry: Entry | None
    loop: asyncio.AbstractEventLoop
    future: asyncio.Future[int]


class _State:
    """Whether the log takes entries; a line for each change, however many entries it refuses."""

    def __init__(self) -> None:
        self._failing = False
        self._refused = 0

    def fails(self, entries: int, error: Exception) -> None:
        if not self._failing:
            _log.error("audit log: fails, no recommendation is given: %s", error)
        self._failing = True
        self._refused += entries

    def works(self) -> None:
        if self._failing:
            _log.warning("audit log: works again; %d entries were not recorded", self._refused)
        self._failing = False
        self._refused = 0

    def ended(self) -> None:
        if self._failing:
            _log.warning(
                "audit log: closed while it fails; %d entries were not recorded", self._refused
            )


class GroupWriter:
    """Commits entries in a thread of its own.

    `commit` is only called there: it records all the entries or none and returns the index of
    the first. Whatever it raises fails the waiters of that batch and no other; it is called
    again for the next one. `closed` is called there once, at the end.
    """

    def __init__(
        self, commit: Callable[[Sequence[Entry]], int], closed: Callable[[], None]
    ) -> None:
        self._commit = commit
        self._closed = closed
        self._queue: SimpleQueue[_Waiting | None] = SimpleQueue()
        self._closing = False
        self._state = _State()
        self._thread = threading.Thread(target=self._run, name="audit-log", daemon=True)
        self._thread.start()

    async def append(self, entry: Entry | None) -> int:
        """Wait until the entry is committed; return its index (-1 for a trial without entry).

        Raises LogUnavailable.
        """
        if self._closing:
            raise LogUnavailable("the log is closed")
        if self._queue.qsize() >= WAITING:
            raise LogUnavailable("the log does not keep up")
        loop = asyncio.get_running_loop()
        waiting = _Waiting(entry, loop, loop.create_future())
        self._queue.put(waiting)
        return await waiting.future

    async def close(self) -> None:
        """Commit what waits, then end the thread."""
        if not self._closing:
            self._closing = True
            self._queue.put(None)
        await asyncio.to_thread(self._thread.join)

    def _run(self) -> None:
        going = True
        while going:
            batch, going = self._next_batch()
            if batch:
                self._record(batch)
        self._state.ended()
        self._closed()

    def _next_batch(self) -> tuple[list[_Waiting], bool]:
        """Everything that waits now, one item at least; then False if that was the end."""
        batch: list[_Waiting] = []
        item = self._queue.get()
        while item is not None:
            batch.append(item)
            if len(batch) == BATCH:
                return batch, True
            try:
                item = self._queue.get_nowait()
            except Empty:
                return batch, True
        return batch, False

    def _record(self, batch: list[_Waiting]) -> None:
        entries = [waiting.entry for waiting in batch if waiting.entry is not None]
        outcome: int | LogUnavailable
        try:
            outcome = self._commit(entries)
            self._state.works()
        except Exception as error:  # noqa: BLE001 - whatever it was, no waiter may be left hanging
            self._state.fails(len(entries), error)
            outcome = LogUnavailable("the audit log did not take the entry")
        for loop in {waiting.loop for waiting in batch}:
            mine = _numbered(batch, outcome, loop)
            try:
                loop.call_soon_threadsafe(_release, mine)
            except RuntimeError:  # that loop has ended, and with it whoever waited
                _log.warning("audit log: nobody waits any more for %d answers", len(mine))


Released = list[tuple[asyncio.Future[int], "int | LogUnavailable"]]


def _numbered(
    batch: list[_Waiting], outcome: int | LogUnavailable, loop: asyncio.AbstractEventLoop
) -> Released:
    """Pair the futures of one event loop with their entry's index, or with the failure."""
    released: Released = []
    index = outcome if isinstance(outcome, int) else 0
    for waiting in batch:
        own = -1 if waiting.entry is None else index
        index += waiting.entry is not None
        if waiting.loop is loop:
            result = own if isinstance(outcome, int) else outcome
            released.append((waiting.future, result))
    return released


def _release(released: Released) -> None:
    """Wake the waiters; runs in their event loop. One that has given up is passed over."""
    for future, result in released:
        if future.done():
            continue
        if isinstance(result, int):
            future.set_result(result)
        else:
            future.set_exception(LogUnavailable(*result.args))
