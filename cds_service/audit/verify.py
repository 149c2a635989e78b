"""What an auditor computes: the two verifications of RFC 9162, strict about every corner.

Each returns None when the proof shows what it claims and raises LogProofError otherwise; bad
input raises nothing else. Sizes and indices are whole numbers, hashes 32 bytes.
"""

from collections.abc import Sequence

from cds_service.audit.tree import EMPTY, HASH_SIZE, node_hash
from cds_service.errors import LogProofError


def verify_inclusion(
    leaf_hash: bytes, index: int, size: int, path: Sequence[bytes], root: bytes
) -> None:
    """Leaf `index` of the tree of `size` leaves with this root has this hash (2.1.3.2)."""
    if not 0 <= index < size:  # step 1
        raise LogProofError(f"no entry {index} in a log of {size}")
    _hashes(leaf_hash, root, *path)
    at, last, reached = index, size - 1, leaf_hash  # steps 2 and 3: fn, sn, r
    for sibling in path:  # step 4
        if last == 0:
            raise LogProofError("the inclusion path is too long")
        if at & 1 or at == last:
            reached = node_hash(sibling, reached)
            at, last = _up_to_a_right_side(at, last)
        else:
            reached = node_hash(reached, sibling)
        at, last = at >> 1, last >> 1
    if last != 0:  # step 5
        raise LogProofError("the inclusion path is too short")
    if reached != root:
        raise LogProofError("the inclusion path does not lead from the entry to the root")


def verify_consistency(
    old_size: int, old_root: bytes, new_size: int, new_root: bytes, path: Sequence[bytes]
) -> None:
    """The old tree is the beginning of the new one: nothing was altered or removed (2.1.4.2).

    Beyond the RFC, which asks for 0 < old < new: from the empty tree to any, and from a tree
    to itself, the path is empty.
    """
    if not 0 <= old_size <= new_size:
        raise LogProofError(f"no log of {old_size} entries before one of {new_size}")
    _hashes(old_root, new_root, *path)
    for size, root in ((old_size, old_root), (new_size, new_root)):
        if size == 0 and root != EMPTY:
            raise LogProofError("the root of an empty log is not that of an empty log")
    if old_size in {0, new_size}:
        _nothing_to_show(old_size, old_root, new_root, path)
        return
    if not path:  # step 1
        raise LogProofError("the consistency path is empty")
    if old_size & (old_size - 1) == 0:  # step 2: the old tree is perfect, its root is known
        path = (old_root, *path)
    at, last = old_size - 1, new_size - 1  # step 3: fn, sn
    while at & 1:  # step 4
        at, last = at >> 1, last >> 1
    old, new = _grown(at, last, path)
    if old != old_root:  # step 7
        raise LogProofError("the consistency path does not lead to the old root")
    if new != new_root:
        raise LogProofError("the consistency path does not lead to the new root")


def _grown(at: int, last: int, path: Sequence[bytes]) -> tuple[bytes, bytes]:
    """Both roots as the path gives them."""
    old = new = path[0]  # step 5: fr, sr
    for sibling in path[1:]:  # step 6
        if last == 0:
            raise LogProofError("the consistency path is too long")
        if at & 1 or at == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            at, last = _up_to_a_right_side(at, last)
        else:
            new = node_hash(new, sibling)
        at, last = at >> 1, last >> 1
    if last != 0:
        raise LogProofError("the consistency path is too short")
    return old, new


def _up_to_a_right_side(at: int, last: int) -> tuple[int, int]:
    """Pass the levels on which the border of the tree has no sibling (steps 4b and 6b)."""
    while at and not at & 1:
        at, last = at >> 1, last >> 1
    return at, last


def _nothing_to_show(
    old_size: int, old_root: bytes, new_root: bytes, path: Sequence[bytes]
) -> None:
    if path:
        raise LogProofError("the consistency path should be empty")
    if old_size and old_root != new_root:
        raise LogProofError("two roots of one size differ: the log was altered")


def _hashes(*hashes: bytes) -> None:
    for value in hashes:
        if len(value) != HASH_SIZE:
            raise LogProofError(f"a hash has {HASH_SIZE} bytes, found {len(value)}")
