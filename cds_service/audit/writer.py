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

from cds_service.audit.rows import Item
from cds_service.audit.store import Receipt
from cds_service.errors import FedBack, KeyTaken, LogUnavailable, PayloadErased

_log = logging.getLogger(__name__)

BATCH = 128
"""The most entries in one commit."""
WAITING = 10_000
"""With so many entries waiting, a further one is refused: the log does not keep up."""


REST = 1.0
"""Seconds without an entry after which what was left to do afterwards is done."""

Outcome = Receipt | KeyTaken | FedBack | PayloadErased | None
"""What became of an item: recorded; not recorded, and why; there was nothing to erase."""


@dataclass(slots=True, eq=False)
class _Waiting:
    """An item (None: only a trial commit) and the future that its answer waits for."""

    item: Item | None
    loop: asyncio.AbstractEventLoop
    future: asyncio.Future[Receipt | None]


class _State:
    """Whether the log takes entries; a line for each change, however many entries it refuses."""

    def __init__(self) -> None:
        self._failing = False
        self._refused = 0

    def fails(self, entries: int, error: Exception) -> None:
        if not self._failing:
            # The message of any other fault may hold what a caller sent.
            said = error if isinstance(error, LogUnavailable | OSError) else type(error).__name__
            _log.error("audit log: fails, no recommendation is given: %s", said)
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

    `commit` is only called there: it records the items in one commit and returns the outcome of
    each; without items it is a trial. Whatever it raises fails the waiters of that batch and no
    other; it is called again for the next one. `afterwards` is called there when the answers of a
    batch are released, and again after a rest while it says that something is left to do; it
    raises nothing. `closed` is called there once, at the end.
    """

    def __init__(
        self,
        commit: Callable[[Sequence[Item]], Sequence[Outcome]],
        closed: Callable[[], None],
        afterwards: Callable[[], bool] = lambda: False,
    ) -> None:
        self._commit = commit
        self._closed = closed
        self._afterwards = afterwards
        self._queue: SimpleQueue[_Waiting | None] = SimpleQueue()
        self._closing = False
        self._state = _State()
        self._thread = threading.Thread(target=self._run, name="audit-log", daemon=True)
        self._thread.start()

    async def append(self, item: Item | None) -> Receipt | None:
        """Wait until the item is committed; None for a trial, or when nothing was to be erased.

        Raises LogUnavailable, KeyTaken, FedBack or PayloadErased.
        """
        if self._closing:
            raise LogUnavailable("the log is closed")
        if self._queue.qsize() >= WAITING:
            raise LogUnavailable("the log does not keep up")
        loop = asyncio.get_running_loop()
        waiting = _Waiting(item, loop, loop.create_future())
        self._queue.put(waiting)
        return await waiting.future

    async def close(self) -> None:
        """Commit what waits, then end the thread."""
        if not self._closing:
            self._closing = True
            self._queue.put(None)
        await asyncio.to_thread(self._thread.join)

    def _run(self) -> None:
        going, left = True, False
        while going:
            batch, going = self._next_batch(REST if left else None)
            if batch:
                self._record(batch)
            left = self._afterwards()
        self._state.ended()
        self._closed()

    def _next_batch(self, longest: float | None) -> tuple[list[_Waiting], bool]:
        """Everything that waits now, one item at least; then False if that was the end.

        Nothing when nothing came in `longest` seconds.
        """
        batch: list[_Waiting] = []
        try:
            item = self._queue.get(timeout=longest)
        except Empty:
            return batch, True
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
        items = [waiting.item for waiting in batch if waiting.item is not None]
        outcomes: Sequence[Outcome] | LogUnavailable
        try:
            outcomes = self._commit(items)
            self._state.works()
        except Exception as error:  # noqa: BLE001 - whatever it was, no waiter may be left hanging
            self._state.fails(len(items), error)
            outcomes = LogUnavailable("the audit log did not take the entry")
        paired = _paired(batch, outcomes)
        for loop in {waiting.loop for waiting in batch}:
            mine = [(waiting.future, each) for waiting, each in paired if waiting.loop is loop]
            try:
                loop.call_soon_threadsafe(_release, mine)
            except RuntimeError:  # that loop has ended, and with it whoever waited
                _log.warning("audit log: nobody waits any more for %d answers", len(mine))


def _paired(
    batch: list[_Waiting], outcomes: Sequence[Outcome] | LogUnavailable
) -> list[tuple[_Waiting, Outcome | LogUnavailable]]:
    """Each waiter with the outcome of its item (None for a trial), or with the failure."""
    if isinstance(outcomes, LogUnavailable):
        return [(waiting, outcomes) for waiting in batch]
    each = iter(outcomes)
    return [(waiting, None if waiting.item is None else next(each)) for waiting in batch]


def _release(
    released: list[tuple[asyncio.Future[Receipt | None], Outcome | LogUnavailable]],
) -> None:
    """Wake the waiters; runs in their event loop. One that has given up is passed over."""
    for future, outcome in released:
        if future.done():
            continue
        if isinstance(outcome, LogUnavailable):
            future.set_exception(LogUnavailable(*outcome.args))
        elif isinstance(outcome, Exception):
            future.set_exception(outcome)
        else:
            future.set_result(outcome)
