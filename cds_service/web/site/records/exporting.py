"""A selection as a file: streamed, of at most so many entries, examined on the way.

NDJSON is the format of `cds-service export`: what is left out is told by hashes, and the signed
checkpoint ends it, so that the file verifies by itself. CSV has a row for each entry and no infant.
Once the file has begun no status can be sent any more: at an entry that was altered it is cut off.
"""

import io
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from itertools import pairwise

from cds_service.audit.examine import Examiner, opened
from cds_service.audit.export import Line, Note, Piece, written
from cds_service.audit.leaf import belongs
from cds_service.audit.store import Query, Store
from cds_service.audit.table import Csv, row
from cds_service.errors import LogAltered

MOST = 10_000
"""Entries in one file, the newest; more by `cds-service export`."""
FORMATS = {"ndjson": "application/x-ndjson", "csv": "text/csv; charset=utf-8"}
_TOGETHER = 32


async def chosen(store: Store, query: Query) -> list[int]:
    """Where the entries of a selection stand, the oldest first."""
    found = await store.outlines(replace(query, below=None, limit=MOST))
    return sorted(each.position for each in found)


async def ndjson(store: Store, positions: Sequence[int]) -> AsyncIterator[bytes]:
    """The lines of an exported log that has these entries; raises LogAltered, LogUnavailable."""
    note = await store.checkpoint()
    checkpoint = opened(note, None)
    size, examiner = checkpoint.size, Examiner()
    begun = -1
    for several in _together([at for at in positions if at < size]):
        gaps = [(before + 1, at) for before, at in pairwise((begun, *several))]
        lines: list[Line] = [*await store.passed(gaps, size), *await _pieces(store, several)]
        lines.sort(key=_place)
        begun = several[-1]
        yield _examined(examiner, lines)
    yield _examined(examiner, list(await store.passed([(begun + 1, size)], size)))
    examiner.end(checkpoint)
    yield written(Note(note))


async def csv(store: Store, positions: Sequence[int]) -> AsyncIterator[bytes]:
    """A row for each of these entries; raises LogAltered, LogUnavailable."""
    text = io.StringIO(newline="")
    table = Csv(text, patient=False)
    for several in _together(positions):
        for piece in await _pieces(store, several):
            if piece.payload is not None and not belongs(piece.leaf, piece.payload):
                raise LogAltered(piece.index, "the payload is not the one that was recorded")
            table.add(row(piece, patient=False))
        yield text.getvalue().encode()
        text.seek(0)
        text.truncate()
    table.close()
    yield text.getvalue().encode()


def _place(line: Line) -> int:
    return -1 if isinstance(line, Note) else line.index


def _examined(examiner: Examiner, lines: Sequence[Line]) -> bytes:
    for line in lines:
        if not isinstance(line, Note):
            examiner.take(line)
    return b"".join(map(written, lines))


def _together(positions: Sequence[int]) -> list[Sequence[int]]:
    return [positions[at : at + _TOGETHER] for at in range(0, len(positions), _TOGETHER)]


async def _pieces(store: Store, positions: Sequence[int]) -> list[Piece]:
    query = Query(positions=tuple(positions), limit=len(positions))
    found = reversed(await store.find(query))
    return [Piece(each.index, each.leaf, each.payload) for each in found]
