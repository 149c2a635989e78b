"""Where entries come from: the log itself, or an exported file; always in order, one at a time."""

from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any, BinaryIO

from tqdm import tqdm

from cds_service.audit.export import Line, Piece, read_all
from cds_service.audit.leaf import head_of
from cds_service.audit.note import Signer, Verifier, VerifierKey
from cds_service.audit.read_only import ReadOnly
from cds_service.audit.store import Log, Logged, Query
from cds_service.errors import CdsError, LogAltered, LogProofError, LogUnavailable
from cds_service.service import Service
from cds_service.settings import Settings
from cds_service.settings.auditor import AuditorSettings

_PAGE = 100


@asynccontextmanager
async def opened(settings: Settings) -> AsyncIterator[Service]:
    """The service with its log, closed at the end."""
    service = settings.service()
    try:
        yield service
    finally:
        await service.store.close()


@asynccontextmanager
async def looked_at(
    settings: AuditorSettings, signer: Signer | None = None
) -> AsyncIterator[ReadOnly]:
    """The log, only to be looked at; closed at the end."""
    log = settings.reading(signer)
    try:
        yield log
    finally:
        await log.close()


def verifier_of(keys: Sequence[str], signer: Signer | None) -> Verifier | None:
    """What verifies signatures: the keys that are given, else those that sign; None: nothing.

    Raises CdsError for a key that is none.
    """
    try:
        known = [VerifierKey.parse(key) for key in keys]
    except LogProofError as error:
        raise CdsError(f"--key: {error}") from error
    known += signer.verifier_keys if signer is not None else ()
    return Verifier(known) if known else None


def add_key(parser: Any) -> None:
    """Declare the option that takes keys to verify with."""
    parser.add_argument(
        "--key",
        action="append",
        metavar="VKEY",
        help="the key that verifies the log's signature, as log-key prints it; may be repeated "
        "(default: CDS_LOG_VERIFIER)",
    )


def piece(logged: Logged) -> Piece:
    """An entry of a store as a piece of a log."""
    return Piece(logged.index, logged.leaf, logged.payload)


async def pieces(store: Log, first: int, last: int) -> AsyncIterator[Piece]:
    """The entries from `first` to before `last`; raises LogAltered at one that cannot be read."""
    at = first
    try:
        async for logged in store.scan(first, last):
            at = logged.index + 1
            yield piece(logged)
    except LogUnavailable as error:
        # A store reads many at once: which of them is it?
        while at < last:
            try:
                found = await store.get(at)
            except LogUnavailable as damage:
                raise LogAltered(at, str(damage)) from error
            if found is not None:
                yield piece(found)
            at += 1
        raise


async def recorded_since(store: Log, since: datetime) -> AsyncIterator[Piece]:
    """The entries recorded then or later, newest first, whatever the clocks did."""
    below = None
    while page := await store.find(Query(since=since, below=below, limit=_PAGE)):
        for logged in page:
            yield piece(logged)
        below = page[-1].index


async def of_file(file: BinaryIO, since: datetime | None) -> AsyncIterator[Piece]:
    """The entries of an exported file, those recorded since then."""
    for line in read_all(file):
        if isinstance(line, Piece) and (since is None or recorded(line) >= since):
            yield line


def recorded(line: Piece) -> datetime:
    """When an entry was recorded; raises LogAltered."""
    try:
        return head_of(line.leaf).recorded
    except ValueError as error:
        raise LogAltered(line.index, "the leaf was altered") from error


def file_lines(file: BinaryIO, size: int) -> Iterator[Line]:
    """Every line of an exported file, with progress by bytes."""
    with progress(size, "B") as bar:
        for line in read_all(file):
            yield line
            if file.seekable():
                bar.update(file.tell() - bar.n)


def progress(total: int, unit: str) -> "tqdm[Any]":
    """A progress bar on standard error; none when that is no terminal."""
    scale = unit == "B"
    return tqdm(
        total=total or None,
        unit=unit if scale else f" {unit}",
        unit_scale=scale,
        disable=None,
        leave=False,
        dynamic_ncols=True,
    )
