"""The tree of hashes over the log: RFC 9162 section 2.1 with SHA-256, without any storage.

A hash is 32 bytes. `Subtree` asks whoever keeps the hashes for the root of a perfect part:
`count` leaves from `first`, where `count` is a power of two and divides `first`. A path of
either kind needs at most two such look-ups for each level of the tree. `audit.verify` is the
other side.
"""

from collections.abc import Callable, Iterable
from hashlib import sha256
from typing import NamedTuple

HASH_SIZE = 32
"""Bytes of a SHA-256 hash."""
EMPTY = sha256(b"").digest()
"""The root of a tree without leaves (section 2.1.1)."""

Subtree = Callable[[int, int], bytes]
"""`subtree(first, count)`: the root of a perfect, aligned part of the tree."""


def leaf_hash(leaf: bytes) -> bytes:
    """The hash of one leaf (section 2.1.1).

    >>> leaf_hash(b"").hex()  # a value known from many implementations, from memory
    '6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d'
    """
    return sha256(b"\x00" + leaf).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of a node from those of its two sides (section 2.1.1)."""
    return sha256(b"\x01" + left + right).digest()


class Frontier(NamedTuple):
    """All that is needed to add leaves: the roots of the perfect parts, largest (left) first.

    It never changes: `append` gives a new one, so that a commit that fails leaves the old one
    as it was.
    """

    size: int = 0
    """Leaves in the tree."""
    roots: tuple[bytes, ...] = ()
    """One for each bit that is set in `size`."""

    def append(self, hashed: bytes) -> "Frontier":
        """The frontier with one more leaf, given by its leaf hash."""
        return self.extend((hashed,))

    def extend(self, hashes: Iterable[bytes]) -> "Frontier":
        """The frontier with further leaves, given by their leaf hashes in order."""
        roots, size = list(self.roots), self.size
        for leaf in hashes:
            hashed, merged = leaf, size
            while merged & 1:
                hashed = node_hash(roots.pop(), hashed)
                merged >>= 1
            roots.append(hashed)
            size += 1
        return Frontier(size, tuple(roots))

    def root(self) -> bytes:
        """The root of the tree: `EMPTY` without leaves."""
        return _joined(list(self.roots)) if self.roots else EMPTY

    @classmethod
    def load(cls, size: int, subtree: Subtree) -> "Frontier":
        """The frontier of a tree whose hashes are kept elsewhere."""
        return cls(size, tuple(_perfect_parts(0, size, subtree)))


def root(hashes: Iterable[bytes]) -> bytes:
    """The root over leaf hashes (MTH of section 2.1.1)."""
    return Frontier().extend(hashes).root()


def inclusion_path(index: int, size: int, subtree: Subtree) -> tuple[bytes, ...]:
    """PATH of section 2.1.3.1, from the leaf's sibling up: leaf `index` is in the first `size`.

    Raises ValueError unless 0 <= index < size.
    """
    if not 0 <= index < size:
        raise ValueError(f"no leaf {index} in a tree of {size}")
    first, count, path = 0, size, []
    while count > 1:
        split = _split(count)
        if index < first + split:
            path.append(_part(first + split, count - split, subtree))
            count = split
        else:
            path.append(_part(first, split, subtree))
            first, count = first + split, count - split
    return tuple(reversed(path))


def consistency_path(old: int, new: int, subtree: Subtree) -> tuple[bytes, ...]:
    """PROOF of section 2.1.4.1: the tree of `old` leaves is the beginning of that of `new`.

    It is empty when the two are the same tree. The RFC leaves out `old` = 0: every tree begins
    with the empty one, and nothing need be shown. Raises ValueError unless 0 <= old <= new.
    """
    if not 0 <= old <= new:
        raise ValueError(f"no tree of {old} before one of {new}")
    if old in {0, new}:
        return ()
    first, count, path = 0, new, []
    while first + count != old:
        split = _split(count)
        if old <= first + split:
            path.append(_part(first + split, count - split, subtree))
            count = split
        else:
            path.append(_part(first, split, subtree))
            first, count = first + split, count - split
    if first:  # `b` of SUBPROOF is false: the verifier does not know this part as the old root
        path.append(_part(first, count, subtree))
    return tuple(reversed(path))


def _split(count: int) -> int:
    """The largest power of two below `count` (k of section 2.1.1)."""
    return 1 << ((count - 1).bit_length() - 1)


def _part(first: int, count: int, subtree: Subtree) -> bytes:
    """The root over leaves `first` ... `first + count - 1`, perfect or not."""
    return _joined(_perfect_parts(first, count, subtree))


def _perfect_parts(first: int, count: int, subtree: Subtree) -> list[bytes]:
    """The roots of the perfect parts, largest first."""
    parts = []
    for bit in reversed(range(count.bit_length())):
        size = 1 << bit
        if count & size:
            parts.append(subtree(first, size))
            first += size
    return parts


def _joined(parts: list[bytes]) -> bytes:
    """The root over perfect parts, which it uses up: the smallest are joined first."""
    whole = parts.pop()
    while parts:
        whole = node_hash(parts.pop(), whole)
    return whole
