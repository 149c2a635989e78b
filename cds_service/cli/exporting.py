"""export: the log, or a part of it, in a file for auditors."""

import argparse
import asyncio
import io
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from cds_service.audit.examine import Examiner, opened
from cds_service.audit.export import Gaps, Line, Note, Piece, written
from cds_service.audit.leaf import Head, head_of
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.record import KINDS
from cds_service.audit.store import Log
from cds_service.audit.table import Csv, Parquet, Table, row
from cds_service.cli import sources
from cds_service.cli.arguments import PARTLY, UNVERIFIED, command, day_or_moment, refuse
from cds_service.cli.files import output
from cds_service.errors import CdsError, LogAltered
from cds_service.settings.auditor import AuditorSettings

Chosen = Callable[[Piece], bool]


def add(commands: Any) -> None:
    """Declare the command."""
    export = command(
        commands, "export", _export, "write the log to a file for auditors; it holds health data"
    )
    export.add_argument(
        "--format",
        choices=("ndjson", "csv", "parquet"),
        default="ndjson",
        help="ndjson (default) is complete and verifies by itself; the others have a row an entry",
    )
    for name, what in (("since", "then or later"), ("before", "earlier than then")):
        export.add_argument(
            f"--{name}",
            type=day_or_moment,
            metavar="TIME",
            help=f"only what was recorded {what}: a date, or date, time and offset",
        )
    export.add_argument(
        "--kind", action="append", choices=KINDS, help="only entries of this kind; may be repeated"
    )
    export.add_argument(
        "--with-patient",
        action="store_true",
        help="csv, parquet: also the infant's identifier and the id of the decision",
    )
    export.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="default: standard output"
    )
    sources.add_key(export)


def _export(asked: argparse.Namespace) -> int:
    if asked.format == "parquet" and asked.output is None:
        raise CdsError("a Parquet file is not for standard output: name it with --output")
    settings = AuditorSettings.read()
    keys = asked.key or settings.verifiers
    signer = None if keys else settings.own_signer()
    verifier = sources.verifier_of(keys, signer)
    with output(asked.output) as file:
        count = asyncio.run(_written(asked, file, settings, signer, verifier))
    print(f"{count} entries exported.", file=sys.stderr)
    if asked.format == "ndjson" and verifier is None:
        return refuse(f"{UNVERIFIED} The file ends with what the service signed.", code=PARTLY)
    return 0


async def _written(
    asked: argparse.Namespace,
    file: BinaryIO,
    settings: AuditorSettings,
    signer: Signer | None,
    verifier: Verifier | None,
) -> int:
    async with sources.looked_at(settings, signer) as log:
        await log.need_payloads()
        if asked.format == "ndjson":
            return await _lines(log, _chosen(asked), file, verifier)
        return await _table(log, asked, file)


def _chosen(asked: argparse.Namespace) -> Chosen:
    """Whether an entry is among those that were asked for."""

    def chosen(piece: Piece) -> bool:
        head = _head(piece)
        return (
            (asked.since is None or head.recorded >= asked.since)
            and (asked.before is None or head.recorded < asked.before)
            and (asked.kind is None or head.kind in asked.kind)
        )

    return chosen


def _head(piece: Piece) -> Head:
    try:
        return head_of(piece.leaf)
    except ValueError as error:
        raise LogAltered(piece.index, "the leaf was altered") from error


async def _lines(
    store: Log, chosen: Chosen, file: BinaryIO, verifier: Verifier | None = None
) -> int:
    """Write NDJSON, examined on the way: an altered log is not passed on as if it were whole."""
    examiner, gaps, count, signed = Examiner(), Gaps(), 0, False
    while True:
        note = await store.checkpoint()
        if not note:
            raise CdsError(_NOTHING_SIGNED)
        size = opened(note, verifier).size
        if size == examiner.size and signed:
            if await store.size() > size and examiner.unexplained():
                raise CdsError(_ERASED_SINCE)
            break
        signed = True
        async for piece in _pieces(store, examiner.size, size):
            examiner.take(piece)
            if chosen(piece):
                _write(file, [*gaps.flushed(), piece])
                gaps.take()
                count += 1
            else:
                gaps.leave_out(piece.leaf)
        # What was erased meanwhile is told by an entry after this checkpoint: go on until there.
        if not examiner.unexplained():
            break
    examiner.end(opened(note, verifier))
    _write(file, [*gaps.flushed(), Note(note)])
    if newer := await store.size() - size:
        print(f"{newer} newer entries are left out: the service signs soon.", file=sys.stderr)
    return count


_NOTHING_SIGNED = (
    "the service has kept no checkpoint with this log, and a file without one cannot be verified: "
    "have the service started once, or export with the key that signs, or as csv"
)
_ERASED_SINCE = (
    "entries were erased after the last checkpoint that the service kept: ask again in a moment"
)


def _write(file: BinaryIO, lines: Sequence[Line]) -> None:
    file.writelines(written(line) for line in lines)


async def _table(store: Log, asked: argparse.Namespace, file: BinaryIO) -> int:
    if asked.format == "parquet":
        return await _rows(store, asked, Parquet(file, patient=asked.with_patient))
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    try:
        return await _rows(store, asked, Csv(text, patient=asked.with_patient))
    finally:
        text.detach()  # or it would close what is not its own


async def _rows(store: Log, asked: argparse.Namespace, table: Table) -> int:
    chosen, count = _chosen(asked), 0
    async for piece in _pieces(store, 0, await store.size()):
        if chosen(piece):
            try:
                table.add(row(piece, patient=asked.with_patient))
            except (ValueError, KeyError, TypeError) as error:
                raise LogAltered(piece.index, "the payload cannot be read") from error
            count += 1
    table.close()
    return count


async def _pieces(store: Log, first: int, last: int) -> AsyncIterator[Piece]:
    with sources.progress(last - first, "entries") as bar:
        async for piece in sources.pieces(store, first, last):
            yield piece
            bar.update()
