"""From files to portions of whole lines, in memory that does not grow with them."""

import gzip
import io
import select
import stat
import sys
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from cds_service.cli.bulk.area import BLOCK, Portion, Slot
from cds_service.errors import CdsError

LINES = 64
"""The most lines of a portion."""


def size_of(files: Sequence[str]) -> int:
    """The bytes of all files, 0 when they are not known; raises OSError for one not to be read."""
    total, known = 0, "-" not in files
    for name in files:
        if name == "-":
            continue
        found = Path(name).stat()
        if not stat.S_ISFIFO(found.st_mode):  # whoever opens and closes one, breaks it
            Path(name).open("rb").close()
        known = known and stat.S_ISREG(found.st_mode) and not name.endswith(".gz")
        total += found.st_size
    return total if known else 0


class Reader:
    """Reads one file after the other and cuts at the line ends (LF, as NDJSON has it).

    A last line without an end counts; a line that is longer than the slot's `longest` is passed
    over and told as `too_long`.
    """

    def __init__(self, files: Sequence[str]) -> None:
        self._files = _each(files)
        self._file: Any = None
        self._number = 0
        self._line = 1
        self._rest = b""
        """Was read and does not belong to the portions so far."""

    def fill(self, slot: Slot) -> Portion | None:
        """The next portion, which then lies in the slot; None: that was all.

        Raises OSError and CdsError when a file cannot be read on.
        """
        while self._file is not None or self._next():
            portion = self._cut(slot)
            if portion is not None:
                self._line += portion.lines
                return portion
        return None

    def _next(self) -> bool:
        self._file = next(self._files, None)
        self._number += 1
        self._line = 1
        return self._file is not None

    def _cut(self, slot: Slot) -> Portion | None:
        """As many whole lines as may be; None when the file has no more."""
        area, filled, count, end = slot.asked, len(self._rest), 0, 0
        area[:filled] = self._rest
        at = 0
        while True:
            while count < LINES and (found := area.find(b"\n", at, filled)) >= 0:
                count, at = count + 1, found + 1
                end = at
            at = filled
            if count == LINES or filled == len(area):
                break
            got = self._read(memoryview(area)[filled : filled + BLOCK])
            if not got:
                return self._last(count, end, filled)
            filled += got
        self._rest = area[end:filled]
        if not count:
            return self._passed_over()
        return Portion(self._number, self._line, count, 0, end)

    def _last(self, count: int, end: int, filled: int) -> Portion | None:
        """What the file ends with."""
        self._file, self._rest = None, b""
        count += filled > end  # a last line without an end
        return Portion(self._number, self._line, count, 0, filled) if count else None

    def _passed_over(self) -> Portion:
        """A line that does not fit: read on to its end, and keep nothing of it."""
        self._rest, block = b"", bytearray(BLOCK)
        while got := self._read(memoryview(block)):
            found = block.find(b"\n", 0, got)
            if found >= 0:
                self._rest = bytes(block[found + 1 : got])
                break
        else:
            self._file = None
        return Portion(self._number, self._line, 1, 0, 0, too_long=True)

    def _read(self, into: memoryview) -> int:
        """Bytes that were read, 0 at the end."""
        try:
            while (got := self._file.readinto(into)) is None:  # one that does not block
                select.select([self._file], [], [])
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise CdsError(f"file {self._number} is not a whole gzip file") from None
        return int(got)


def _each(files: Sequence[str]) -> Iterator[Any]:
    for name in files:
        if name == "-":
            yield getattr(sys.stdin.buffer, "raw", sys.stdin.buffer)
        elif name.endswith(".gz"):
            with gzip.open(name) as unpacked:
                yield unpacked
        else:
            with io.FileIO(name) as file:
                yield file
