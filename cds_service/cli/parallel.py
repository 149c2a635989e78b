"""Replay on several cores: each process loads the contents once, what it finds is added up."""

import asyncio
import multiprocessing
import os
import signal
from collections.abc import AsyncIterator, Callable, Sequence
from concurrent.futures import ProcessPoolExecutor

from cds_service.audit.export import Piece
from cds_service.content.library import Library
from cds_service.service.impact import Impact
from cds_service.service.replaying import Replayer

CHUNK = 32
"""Entries that go to a process at once: some megabytes."""
ALONE = 4
"""Chunks that this process replays itself; for few entries no other is started."""

_replayer: Replayer | None = None
"""That of a process of the pool."""


def make_replayer(base: str, against: str | None) -> Replayer:
    """A replayer with contents of its own; raises ContentError when there is no such content."""
    library = Library()
    other = None if against is None else library.named(against)
    return Replayer(library, base=base, against=other)


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


async def replay_all(
    pieces: AsyncIterator[Piece],
    base: str,
    against: str | None,
    *,
    jobs: int,
    done: Callable[[int], object],
) -> Impact:
    """The report over all entries; `done` is told how many more are replayed.

    The entries are never all in memory: at most twice as many chunks as processes wait.
    """
    replayer, impact, chunks = make_replayer(base, against), Impact(), _chunks(pieces)
    number = 0
    async for chunk in chunks:
        impact.merge(_replayed(replayer, chunk))
        done(len(chunk))
        number += 1
        if number == ALONE and jobs > 1:
            break
    else:
        return impact
    await _in_parallel(chunks, impact, base, against, jobs, done)
    return impact


async def _in_parallel(
    chunks: AsyncIterator[list[Piece]],
    impact: Impact,
    base: str,
    against: str | None,
    jobs: int,
    done: Callable[[int], object],
) -> None:
    # Not forked: this process has threads.
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, context, _begin, (base, against))
    waiting: set[asyncio.Future[tuple[int, Impact]]] = set()

    async def collect(most: int) -> None:
        nonlocal waiting
        while len(waiting) > most:
            ready, waiting = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            for each in ready:
                count, part = each.result()
                impact.merge(part)
                done(count)

    try:
        async for chunk in chunks:
            waiting.add(asyncio.get_running_loop().run_in_executor(pool, _work, chunk))
            await collect(2 * jobs)
        await collect(0)
    finally:
        pool.shutdown(cancel_futures=True)


async def _chunks(pieces: AsyncIterator[Piece]) -> AsyncIterator[list[Piece]]:
    chunk: list[Piece] = []
    async for piece in pieces:
        chunk.append(piece)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _begin(base: str, against: str | None) -> None:
    """Run once in each process."""
    global _replayer  # noqa: PLW0603 - how a pool keeps what is loaded once
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the interrupted parent ends the pool
    _replayer = make_replayer(base, against)


def _work(chunk: Sequence[Piece]) -> tuple[int, Impact]:
    if _replayer is None:
        raise RuntimeError("the process was not begun")
    return len(chunk), _replayed(_replayer, chunk)


def _replayed(replayer: Replayer, chunk: Sequence[Piece]) -> Impact:
    impact = Impact()
    for piece in chunk:
        impact.add(replayer.outcome(piece))
    return impact
