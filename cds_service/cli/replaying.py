"""replay: recorded recommendations asked again, on the content of then or on another."""

import argparse
import asyncio
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from cds_service.audit.export import Piece
from cds_service.audit.store import Query
from cds_service.cli.arguments import CANNOT, command, day_or_moment, in_words, refuse
from cds_service.cli.parallel import cores, make_replayer, replay_all
from cds_service.cli.sources import looked_at, of_file, pieces, progress, recorded_since
from cds_service.errors import CdsError, ContentError
from cds_service.service.impact import Impact
from cds_service.service.replaying import Outcome, Verdict
from cds_service.settings.auditor import AuditorSettings


def add(commands: Any) -> None:
    """Declare the command."""
    replay = command(
        commands, "replay", _replay, "ask recorded requests again and say in words what differs"
    )
    replay.add_argument(
        "file", nargs="?", type=Path, help="an exported log (NDJSON) instead of the log; - is stdin"
    )
    only = replay.add_mutually_exclusive_group()
    only.add_argument("--entry", type=int, metavar="N", help="only the entry at this index")
    only.add_argument(
        "--since",
        type=day_or_moment,
        metavar="TIME",
        help="only what was recorded then or later: a date, or date, time and offset",
    )
    replay.add_argument(
        "--against",
        metavar="PROTOCOL",
        help="the content to ask, named as the log does: 'sick-young-infant|2014.1', an adaptation "
        "after a + (default: the content that each entry was recorded with)",
    )
    replay.add_argument(
        "--jobs", type=int, default=cores(), metavar="N", help="processes (default: every core)"
    )


def _replay(asked: argparse.Namespace) -> int:
    """0: all the same; 1: differences; 2: something could not be replayed."""
    settings = AuditorSettings.read()
    try:
        if asked.entry is not None:
            return _tell(asyncio.run(_one(asked, settings)), _different(asked))
        impact = asyncio.run(_all(asked, settings))
    except ContentError as error:
        return refuse("No such content:", *error.findings, code=CANNOT)
    except CdsError as error:
        return refuse(str(error), code=CANNOT)
    except OSError as error:
        return refuse(in_words(error), code=CANNOT)
    against = asked.against or "the content that each was recorded with"
    print(f"Recorded recommendations asked again, on {against}")
    for line in impact.lines():
        print(line)
    if impact.verdicts[Verdict.CANNOT]:
        return CANNOT
    return int(any(impact.verdicts[each] for each in _different(asked)))


def _different(asked: argparse.Namespace) -> tuple[Verdict, ...]:
    """What counts as a difference: another content writes other bytes in any case."""
    return (Verdict.CHANGED,) if asked.against else (Verdict.CHANGED, Verdict.SAME_CARE)


async def _all(asked: argparse.Namespace, settings: AuditorSettings) -> Impact:
    async with _source(asked, settings) as (found, total):
        with progress(total, "entries") as bar:
            return await replay_all(
                found, settings.base, asked.against, jobs=max(1, asked.jobs), done=bar.update
            )


@asynccontextmanager
async def _source(
    asked: argparse.Namespace, settings: AuditorSettings
) -> AsyncIterator[tuple[AsyncIterator[Piece], int]]:
    """The entries that are asked for, and how many they are; 0 when that is not known."""
    since: datetime | None = asked.since
    if asked.file is not None:
        if str(asked.file) == "-":
            yield of_file(sys.stdin.buffer, since), 0
            return
        with asked.file.open("rb") as file:
            yield of_file(file, since), 0
        return
    async with looked_at(settings) as store:
        await store.need_payloads()
        if since is None:
            first, last = 0, await store.size()
            if asked.entry is not None:
                first, last = asked.entry, min(asked.entry + 1, last)
            yield pieces(store, first, last), last - first
        else:
            yield recorded_since(store, since), await store.count(Query(since=since))


async def _one(asked: argparse.Namespace, settings: AuditorSettings) -> Outcome:
    async with _source(asked, settings) as (found, _):
        async for piece in found:
            if piece.index == asked.entry:
                return make_replayer(settings.base, asked.against).outcome(piece)
    raise CdsError(f"there is no entry {asked.entry}")


def _tell(outcome: Outcome, different: tuple[Verdict, ...]) -> int:
    for line in _told(outcome):
        print(line)
    if outcome.verdict in different:
        return 1
    return 0 if outcome.verdict in (Verdict.EQUAL, Verdict.SAME_CARE) else CANNOT


def _told(outcome: Outcome) -> Iterator[str]:
    yield f"entry {outcome.index}: {outcome.verdict.value}{': ' * bool(outcome.why)}{outcome.why}"
    if outcome.verdict is Verdict.ERASED:
        yield f"  its leaf stands in the log: GET /log/proof/inclusion/{outcome.index} proves it"
    for change in outcome.changes:
        yield f"  {change.words}"
