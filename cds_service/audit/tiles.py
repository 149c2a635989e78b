"""Tiles: the tree's hashes in pieces of 256, so that a proof reads a few rows of any log.

A tile of level L and number N holds the 256 hashes of the nodes 8 L levels above the leaves
(level 0: leaf hashes) from place 256 N on, joined, and has a root of its own: the node 8 levels
higher. These are the full tiles of C2SP tlog-tiles. Only complete tiles are stored, each once,
in the commit that completes it; nothing of them ever changes. What the last, incomplete tile
of a level would hold is read from what is stored anyway: leaf hashes with the entries, and
roots of the tiles one level below.

How a store uses it: after the leaves of a commit are inserted, `complete(old, new, rows)` and an
insert for each tile as it comes; for a proof, `TileReader(size, rows).subtree`.
"""

from collections.abc import Iterator
from typing import NamedTuple, Protocol

from cds_service.audit.tree import HASH_SIZE, root
from cds_service.errors import LogUnavailable

HEIGHT = 8
"""Levels of the tree in a tile."""
WIDTH = 1 << HEIGHT
"""Hashes in a tile."""


class Tile(NamedTuple):
    """A complete tile, as it is stored."""

    level: int
    number: int
    hashes: bytes
    """256 hashes of 32 bytes."""
    root: bytes


class Rows(Protocol):
    """What a store can read."""

    def tile(self, level: int, number: int) -> bytes | None:
        """The hashes of a stored tile; None when it is not there."""
        ...

    def nodes(self, level: int, first: int, count: int) -> bytes:
        """`count` hashes from place `first` on, joined; fewer when they are not there.

        On level 0 the leaf hashes of the entries, above it the roots of the stored tiles of
        `level - 1` in the order of their numbers.
        """
        ...


def completed(old: int, new: int) -> Iterator[tuple[int, int]]:
    """Level and number of each tile that becomes complete as the log grows; lower levels first.

    >>> list(completed(255, 513))
    [(0, 0), (0, 1)]
    >>> list(completed(65535, 65536))
    [(0, 255), (1, 0)]
    """
    level = 0
    while new := new >> HEIGHT:
        old >>= HEIGHT
        for number in range(old, new):
            yield level, number
        level += 1


def complete(old: int, new: int, rows: Rows) -> Iterator[Tile]:
    """The tiles to store as the log grows from `old` to `new` entries.

    Store each before asking for the next: those above are read from those below. Raises
    LogUnavailable when what they are made of is not there.
    """
    for level, number in completed(old, new):
        hashes = _nodes(rows, level, number * WIDTH, WIDTH)
        yield Tile(level, number, hashes, root(_each(hashes)))


class TileReader:
    """Answers `tree.Subtree` for a log of `size` entries, for one proof or a few.

    It keeps the tiles that it read: a proof needs at most two for each level, whatever the
    size (a million entries have three levels). Raises LogUnavailable when one is damaged.
    """

    def __init__(self, size: int, rows: Rows) -> None:
        self._size = size
        self._rows = rows
        self._read: dict[tuple[int, int], bytes] = {}

    def subtree(self, first: int, count: int) -> bytes:
        """The root over `count` leaves from `first`; a power of two that divides `first`.

        Raises ValueError when these are not in the log, or are no perfect part.
        """
        if count < 1 or count & (count - 1) or first % count or first + count > self._size:
            raise ValueError(f"no perfect part of {count} leaves from {first}")
        level, inside = divmod(count.bit_length() - 1, HEIGHT)
        number, place = divmod(first >> (HEIGHT * level), WIDTH)
        hashes = self._tile(level, number)
        start = place * HASH_SIZE
        return root(_each(hashes[start : start + (HASH_SIZE << inside)]))

    def _tile(self, level: int, number: int) -> bytes:
        """What there is of a tile, all 256 hashes when it is complete."""
        if (level, number) not in self._read:
            self._read[level, number] = self._from_rows(level, number)
        return self._read[level, number]

    def _from_rows(self, level: int, number: int) -> bytes:
        first = number * WIDTH
        there = min(WIDTH, (self._size >> (HEIGHT * level)) - first)
        if there < WIDTH:
            return _nodes(self._rows, level, first, there)
        hashes = self._rows.tile(level, number)
        if hashes is None or len(hashes) != WIDTH * HASH_SIZE:
            raise LogUnavailable(f"the log is damaged: tile {number} of level {level}")
        return hashes


def _nodes(rows: Rows, level: int, first: int, count: int) -> bytes:
    hashes = rows.nodes(level, first, count)
    if len(hashes) != count * HASH_SIZE:
        raise LogUnavailable(f"the log is damaged: hashes from {first} on level {level}")
    return hashes


def _each(hashes: bytes) -> Iterator[bytes]:
    return (hashes[at : at + HASH_SIZE] for at in range(0, len(hashes), HASH_SIZE))
