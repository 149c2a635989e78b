"""How the tree of hashes grows with the log: what the writing thread keeps in memory.

Beside the frontier it is the edge, the hashes of each level that fill no tile yet: so a commit
reads nothing, and an entry costs two or three hashes whatever the log's length.
"""

from collections.abc import Sequence
from typing import NamedTuple

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import Signer
from cds_service.audit.tiles import HEIGHT, WIDTH, Rows, Tile, TileReader
from cds_service.audit.tree import HASH_SIZE, Frontier, root
from cds_service.errors import LogUnavailable

_TILE = WIDTH * HASH_SIZE


class Growth(NamedTuple):
    """The right edge of the tree. It never changes: a commit that fails leaves the old one."""

    frontier: Frontier = Frontier()
    edge: tuple[bytes, ...] = (b"",)
    """For each level of tiles the hashes that fill no tile yet, joined."""

    @property
    def size(self) -> int:
        """Leaves in the tree."""
        return self.frontier.size

    def grown(self, hashes: Sequence[bytes]) -> tuple["Growth", list[Tile]]:
        """The growth with further leaves, by their hashes; and the tiles to be stored with them."""
        tiles: list[Tile] = []
        edge: list[bytes] = []
        new = hashes
        while new or len(edge) < len(self.edge):
            level = len(edge)
            begun = self.edge[level] if level < len(self.edge) else b""
            complete, rest = _cut(begun + b"".join(new))
            first = self.size >> HEIGHT * (level + 1)
            new = [root(_each(part)) for part in complete]
            tiles += map(Tile, [level] * len(new), range(first, first + len(new)), complete, new)
            edge.append(rest)
        return Growth(self.frontier.extend(hashes), tuple(edge)), tiles

    def caught_up(self, rows: Rows, size: int) -> "Growth":
        """The growth with what others have added up to `size`.

        What was here before is not read again: nothing that was altered since is taken over.
        Raises LogUnavailable when the log is shorter than it was, or has a gap.
        """
        if size < self.size:
            raise LogUnavailable(f"the log has {size} entries and had {self.size}: restart")
        growth = self
        while growth.size < size:
            hashes = _nodes(rows, 0, growth.size, min(WIDTH, size - growth.size))
            growth = growth.grown(list(_each(hashes)))[0]
        return growth

    @classmethod
    def load(cls, rows: Rows, size: int) -> "Growth":
        """The growth of a log that is stored; raises LogUnavailable when a hash is missing."""
        edge = []
        for level in range(max(1, -(-size.bit_length() // HEIGHT))):
            there = size >> HEIGHT * level
            edge.append(_nodes(rows, level, there - there % WIDTH, there % WIDTH))
        return cls(Frontier.load(size, TileReader(size, rows).subtree), tuple(edge))


def signed(signer: Signer, frontier: Frontier) -> str:
    """The signed checkpoint of a tree: only of one that is durable, it can never be taken back."""
    origin = signer.verifier_keys[0].name
    return signer.sign(Checkpoint(origin, frontier.size, frontier.root()).text())


def _nodes(rows: Rows, level: int, first: int, count: int) -> bytes:
    hashes = rows.nodes(level, first, count) if count else b""
    if len(hashes) != count * HASH_SIZE:
        raise LogUnavailable(f"the log is damaged: hashes from {first} on level {level}")
    return hashes


def _cut(hashes: bytes) -> tuple[list[bytes], bytes]:
    """Complete tiles, and what is left over."""
    whole = len(hashes) - len(hashes) % _TILE
    return [hashes[at : at + _TILE] for at in range(0, whole, _TILE)], hashes[whole:]


def _each(hashes: bytes) -> list[bytes]:
    return [hashes[at : at + HASH_SIZE] for at in range(0, len(hashes), HASH_SIZE)]
