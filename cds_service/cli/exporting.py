"""export: the log, or a part of it, in a file for auditors."""

import argparse
import asyncio
import io
import os
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

from cds_service.audit.examine import Examiner, opened
from cds_service.audit.export import Gaps, Line, Note, Piece, written
from cds_service.audit.leaf import Head, head_of
from cds_service.audit.record import KINDS
from cds_service.audit.store import Store
from cds_service.audit.table import Csv, Parquet, Table, row
from cds_service.cli import sources
from cds_service.cli.arguments import command, day_or_moment
from cds_service.errors import CdsError, LogAltered
from cds_service.settings import Settings

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


def _export(asked: argparse.Namespace) -> int:
    if asked.format == "parquet" and asked.output is None:
        raise CdsError("a Parquet file is not for standard output: name it with --output")
    with _output(asked.output) as file:
        count = asyncio.run(_written(asked, file))
    print(f"{count} entries exported.", file=sys.stderr)
    return 0


async def _written(asked: argparse.Namespace, file: BinaryIO) -> int:
    async with sources.opened(Settings.read()) as service:
        if asked.format == "ndjson":
            return await _lines(service.store, _chosen(asked), file)
        return await _table(service.store, asked, file)


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


async def _lines(store: Store, chosen: Chosen, file: BinaryIO) -> int:
    """Write NDJSON, examined on the way: an altered log is not passed on as if it were whole."""
    examiner, gaps, count, note = Examiner(), Gaps(), 0, ""
    while True:
        note = await store.checkpoint()
        size = opened(note, None).size
        if size == examiner.size and note:
            break
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
    examiner.end(opened(note, None))
    _write(file, [*gaps.flushed(), Note(note)])
    return count


def _write(file: BinaryIO, lines: Sequence[Line]) -> None:
    file.writelines(written(line) for line in lines)


async def _table(store: Store, asked: argparse.Namespace, file: BinaryIO) -> int:
    if asked.format == "parquet":
        return await _rows(store, asked, Parquet(file, patient=asked.with_patient))
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    try:
        return await _rows(store, asked, Csv(text, patient=asked.with_patient))
    finally:
        text.detach()  # or it would close what is not its own


async def _rows(store: Store, asked: argparse.Namespace, table: Table) -> int:
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


async def _pieces(store: Store, first: int, last: int) -> AsyncIterator[Piece]:
    with sources.progress(last - first, "entries") as bar:
        async for piece in sources.pieces(store, first, last):
            yield piece
            bar.update()


@contextmanager
def _output(path: Path | None) -> Iterator[BinaryIO]:
    """Where to write: a file takes its name only when it is whole, and is its owner's only."""
    if path is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    unfinished = path.with_name(f".{path.name}.unfinished")
    with suppress(FileNotFoundError):
        unfinished.unlink()
    try:
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as f:
            yield f
            f.flush()
            os.fsync(f.fileno())
        unfinished.replace(path)
    finally:
        with suppress(FileNotFoundError):
            unfinished.unlink()
