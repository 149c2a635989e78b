"""Memory that processes share: lines lie there to be answered, and their answers to be written.

Anonymous memory, passed on by fork: it has no name, is no file, and is gone with the last process.
What lies in it is copied once in and once out; a pipe would cost ten times as much.
"""

import mmap
from dataclasses import dataclass, field
from typing import NamedTuple

from cds_service.audit.record import Entry

ROOM = 4 * 1024 * 1024
"""Bytes of the answers of one portion; what is more is answered in a second go."""
BLOCK = 256 * 1024
"""Bytes that are read at once."""


class Portion(NamedTuple):
    """Whole lines that lie in a slot, one after the other."""

    file: int
    """Number of their file, from 1."""
    line: int
    """Number of the first of them in that file, from 1."""
    lines: int
    begin: int
    """Where the first begins."""
    end: int
    """Behind the last, with its line end."""
    too_long: bool = False
    """One line of which nothing lies there, because it is longer than a request may be."""


class Kept(NamedTuple):
    """An entry without its request and its answer, and where these lie in the slot."""

    entry: Entry
    request: slice
    response: slice


class Reply(NamedTuple):
    """How far a portion is answered; the answers lie in the slot from its beginning."""

    rest: Portion | None
    """What is still to be answered."""
    size: int
    """Bytes of the answers."""
    tally: dict[str, int]
    """How many lines, by what became of them (`Said.status`)."""
    kept: tuple[Kept, ...] = ()
    """What is to be recorded first, in order."""
    beyond: bytes = b""
    """The one answer, with its line end, when it alone is larger than the slot."""


@dataclass(slots=True, eq=False)
class Slot:
    """Room for one portion and its answers. What is never touched takes no memory."""

    longest: int
    """Bytes of the longest request."""
    room: int = ROOM
    asked: mmap.mmap = field(init=False)
    said: mmap.mmap = field(init=False)

    def __post_init__(self) -> None:
        self.asked = mmap.mmap(-1, self.longest + 1 + BLOCK)
        self.said = mmap.mmap(-1, self.room)
