"""Processes that answer portions, and the order of the portions kept.

They are forked before this process has a thread: each has the content that was loaded once, and
the slots. At most as many portions as slots are on their way, so memory does not grow.
"""

import logging
import multiprocessing
import os
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, cast

from cds_service.cli.bulk.area import Portion, Reply, Slot
from cds_service.errors import CdsError

_log = logging.getLogger("cds_service.bulk")

Answer = Callable[[Slot, Portion], Reply]
Fill = Callable[[Slot], Portion | None]

AT_ONCE = 2
"""Portions that a process has: one that it answers and one that waits, so that it never does."""
SLOTS = 3
"""Slots for each process: its own portions, and one that waits to be written."""


@dataclass(slots=True, eq=False)
class _Task:
    """A portion on its way: where it lies, and its reply once it has come."""

    slot: int
    portion: Portion
    reply: Reply | None = None


class _Worker:
    """One process, as this one sees it: it answers its tasks in their order."""

    def __init__(self, answer: Answer, slots: Sequence[Slot], before: Sequence["_Worker"]) -> None:
        context: Any = multiprocessing.get_context("fork")
        self.connection, theirs = context.Pipe()
        ours = [self.connection, *(each.connection for each in before)]
        self.tasks: deque[_Task] = deque()
        self.process = context.Process(
            target=_serve, args=(theirs, ours, answer, slots), daemon=True
        )
        self.process.start()
        theirs.close()  # or its end would never be noticed

    def fileno(self) -> int:
        """What can be waited on."""
        return int(self.connection.fileno())

    def ask(self, task: _Task) -> None:
        """Send a task; raises CdsError when the process is no more."""
        try:
            self.connection.send((task.slot, task.portion))
        except OSError:
            raise self._ended() from None
        self.tasks.append(task)

    def take(self) -> None:
        """Take the reply to the oldest task; raises CdsError when the process is no more."""
        try:
            reply = self.connection.recv()
        except (EOFError, OSError):
            raise self._ended() from None
        self.tasks.popleft().reply = reply

    def _ended(self) -> CdsError:
        self.process.join(1)
        code = self.process.exitcode
        how = f"by signal {-code}" if code is not None and code < 0 else "by itself"
        remedy = "when memory ran out: free some, or ask with fewer --jobs"
        return CdsError(f"a process that decides was ended, {how} ({remedy})")


class Workers:
    """So many processes; close them at the end, whatever happened."""

    def __init__(self, jobs: int, answer: Answer, longest: int) -> None:
        self._slots = [Slot(longest) for _ in range(SLOTS * jobs)]
        self._workers: list[_Worker] = []
        sys.stdout.flush()  # or each process would write it once more
        sys.stderr.flush()
        for _ in range(jobs):
            self._workers.append(_Worker(answer, self._slots, self._workers))

    def replies(self, fill: Fill) -> Iterator[tuple[Slot, Portion, Reply]]:
        """Each portion that `fill` puts into a slot, with its reply, in order.

        A portion that had not room enough comes again, with the rest of its lines. Raises
        CdsError when a process was ended.
        """
        idle, order = deque(range(len(self._slots))), deque[_Task]()
        more = True
        while more or order:
            # What is ready goes first: whoever sends the lines may take his time for the next.
            if order and (reply := order[0].reply) is not None:
                first = order[0]
                yield self._slots[first.slot], first.portion, reply
                if reply.rest is None:
                    idle.append(order.popleft().slot)
                else:
                    first.portion, first.reply = reply.rest, None
                    self._least().ask(first)
            elif more and idle and len(self._least().tasks) < AT_ONCE:
                portion = fill(self._slots[idle[0]])
                more = portion is not None
                if portion is not None:
                    order.append(_Task(idle.popleft(), portion))
                    self._least().ask(order[-1])
                self._take(0)
            else:
                self._take(None)

    def close(self) -> None:
        """End the processes, in the midst of whatever they do."""
        for worker in self._workers:
            worker.connection.close()
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join()

    def _least(self) -> _Worker:
        """The one with the least to do."""
        return min(self._workers, key=lambda each: len(each.tasks))

    def _take(self, longest: float | None) -> None:
        """Take what replies there are, or come within so many seconds (None: until one comes)."""
        waited: Any = self._workers
        for ready in wait(waited, longest):
            cast(_Worker, ready).take()


def alone(answer: Answer, slot: Slot, fill: Fill) -> Iterator[tuple[Slot, Portion, Reply]]:
    """The same as `Workers.replies` in this process."""
    while (portion := fill(slot)) is not None:
        rest: Portion | None = portion
        while rest is not None:
            reply = answer(slot, rest)
            yield slot, rest, reply
            rest = reply.rest


def _serve(
    connection: Connection, ours: Sequence[Connection], answer: Answer, slots: Sequence[Slot]
) -> None:
    """Answer until the other process closes the connection, or is no more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the interrupted parent ends this one
    for each in ours:  # or the end of the other process would never be noticed
        each.close()
    try:
        while True:
            slot, portion = connection.recv()
            connection.send(answer(slots[slot], portion))
    except (EOFError, OSError):
        os._exit(0)
    except Exception as error:  # noqa: BLE001 - told without its message, which may hold a request
        _log.error("a process that decides failed: %s", type(error).__name__)
        os._exit(1)
