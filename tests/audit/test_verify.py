"""The two verifications: any single change of what is verified is refused."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds_service.audit.tree import EMPTY, consistency_path, inclusion_path, leaf_hash, root
from cds_service.audit.verify import verify_consistency, verify_inclusion
from cds_service.errors import LogProofError

HASHES = [leaf_hash(b"%d" % number) for number in range(300)]
ONE = HASHES[0]


def subtree(first: int, count: int) -> bytes:
    return root(HASHES[first : first + count])


def refused_inclusion(
    leaf: bytes, index: int, size: int, path: Sequence[bytes], head: bytes
) -> None:
    with pytest.raises(LogProofError):
        verify_inclusion(leaf, index, size, path, head)


def refused_consistency(
    old: int, old_root: bytes, new: int, new_root: bytes, path: Sequence[bytes]
) -> None:
    with pytest.raises(LogProofError):
        verify_consistency(old, old_root, new, new_root, path)


def flipped(value: bytes, bit: int) -> bytes:
    changed = bytearray(value)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def changed_path(data: st.DataObject, path: tuple[bytes, ...]) -> tuple[bytes, ...]:
    """A bit of one hash, a hash less, or a hash more."""
    place = data.draw(st.integers(0, len(path)))
    before, at, after = path[:place], path[place : place + 1], path[place + 1 :]
    kind = data.draw(st.sampled_from(["flip", "drop"] if at else ["add"]))
    if kind == "flip":
        return (*before, flipped(at[0], data.draw(st.integers(0, 255))), *after)
    return (*before, *after) if kind == "drop" else (*before, ONE, *at, *after)


@given(st.data())
def test_an_entry_with_anything_changed_is_refused(data: st.DataObject) -> None:
    size = data.draw(st.integers(1, 300))
    index = data.draw(st.integers(0, size - 1))
    bit = data.draw(st.integers(0, 255))
    other = data.draw(st.integers(-1, size + 1).filter(lambda value: value != index))
    leaf, head = HASHES[index], subtree(0, size)
    path = inclusion_path(index, size, subtree)

    refused_inclusion(flipped(leaf, bit), index, size, path, head)
    refused_inclusion(leaf, other, size, path, head)
    refused_inclusion(leaf, index, size, path, flipped(head, bit))
    refused_inclusion(leaf, index, size, changed_path(data, path), head)


@given(st.data())
def test_growth_with_anything_changed_is_refused(data: st.DataObject) -> None:
    new = data.draw(st.integers(1, 300))
    old = data.draw(st.integers(0, new))
    bit = data.draw(st.integers(0, 255))
    heads = subtree(0, old), subtree(0, new)
    path = consistency_path(old, new, subtree)

    refused_consistency(old, flipped(heads[0], bit), new, heads[1], path)
    if old:  # from the empty log nothing is shown of the new one
        refused_consistency(old, heads[0], new, flipped(heads[1], bit), path)
    refused_consistency(old, *heads[:1], new, heads[1], changed_path(data, path))


@given(st.data())
def test_an_old_log_of_another_size_is_refused(data: st.DataObject) -> None:
    new = data.draw(st.integers(2, 300))
    old = data.draw(st.integers(1, new))
    other = data.draw(st.integers(-1, new + 1).filter(lambda value: value != old))
    path = consistency_path(old, new, subtree)

    refused_consistency(other, subtree(0, old), new, subtree(0, new), path)


@pytest.mark.parametrize("value", [b"", bytes(31), bytes(33), bytes(64)])
def test_what_has_not_the_size_of_a_hash_is_refused(value: bytes) -> None:
    path = inclusion_path(1, 3, subtree)
    refused_inclusion(value, 0, 1, (), value)
    refused_inclusion(HASHES[1], 1, 3, (value, *path[1:]), subtree(0, 3))
    refused_inclusion(HASHES[1], 1, 3, path, value)
    refused_consistency(1, value, 1, value, ())
    refused_consistency(0, EMPTY, 2, value, ())
    refused_consistency(2, subtree(0, 2), 3, subtree(0, 3), (value,))


def test_an_empty_log_has_one_root_only() -> None:
    verify_consistency(0, EMPTY, 0, EMPTY, ())
    verify_consistency(0, EMPTY, 5, ONE, ())
    refused_consistency(0, ONE, 0, ONE, ())
    refused_consistency(0, ONE, 5, ONE, ())
    refused_consistency(0, EMPTY, 5, ONE, (ONE,))
    refused_inclusion(ONE, 0, 0, (), ONE)
    refused_inclusion(EMPTY, 0, 0, (), EMPTY)


def test_absurd_sizes_are_refused_at_once() -> None:
    vast = 10**4000
    refused_inclusion(ONE, vast, vast + 1, (ONE,) * 40, ONE)
    refused_consistency(vast, ONE, vast + 1, ONE, (ONE,) * 40)
    refused_consistency(-vast, ONE, vast, ONE, ())
