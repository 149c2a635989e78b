"""The tree of hashes: against RFC 9162, a published test tree and another implementation."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymerkle import InmemoryTree

from cds_service.audit.tree import (
    EMPTY,
    Frontier,
    Subtree,
    consistency_path,
    inclusion_path,
    leaf_hash,
    node_hash,
    root,
)
from cds_service.audit.verify import verify_consistency, verify_inclusion
from cds_service.errors import LogProofError

KNOWN_LEAVES = [
    bytes.fromhex(leaf)
    for leaf in (
        *("", "00", "10", "2021", "3031", "40414243"),
        *("5051525354555657", "606162636465666768696a6b6c6d6e6f"),
    )
]
"""The eight leaves that the tests of most certificate transparency implementations share (from
memory; the same leaves and roots stand in several public repositories)."""

KNOWN_ROOTS = {
    0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    5: "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    6: "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    7: "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}

LEAVES = [f"leaf {number}".encode() for number in range(300)]
HASHES = [leaf_hash(leaf) for leaf in LEAVES]


def mth(hashes: Sequence[bytes]) -> bytes:
    """MTH of RFC 9162 section 2.1.1, word for word."""
    if len(hashes) < 2:
        return hashes[0] if hashes else EMPTY
    k = 1
    while k * 2 < len(hashes):
        k *= 2
    return node_hash(mth(hashes[:k]), mth(hashes[k:]))


def subtree_of(hashes: Sequence[bytes]) -> Subtree:
    def subtree(first: int, count: int) -> bytes:
        assert count & (count - 1) == 0
        assert first % count == 0
        assert first + count <= len(hashes)
        return mth(hashes[first : first + count])

    return subtree


SUBTREE = subtree_of(HASHES)


@pytest.mark.parametrize("size", sorted(KNOWN_ROOTS))
def test_the_known_test_tree_has_its_known_roots(size: int) -> None:
    assert root(map(leaf_hash, KNOWN_LEAVES[:size])).hex() == KNOWN_ROOTS[size]


def test_every_size_has_the_root_of_the_definition() -> None:
    frontier = Frontier()
    for size, hashed in enumerate(HASHES, start=1):
        frontier = frontier.append(hashed)
        assert frontier.root() == mth(HASHES[:size])
        assert frontier == Frontier.load(size, SUBTREE)


def test_a_frontier_that_grew_is_another_one() -> None:
    before = Frontier().extend(HASHES[:5])

    before.append(HASHES[5])

    assert before.size == 5
    assert before.root() == mth(HASHES[:5])


@given(st.data())
def test_any_entry_of_any_log_is_shown_to_be_in_it(data: st.DataObject) -> None:
    size = data.draw(st.integers(1, 300))
    index = data.draw(st.integers(0, size - 1))

    path = inclusion_path(index, size, SUBTREE)

    verify_inclusion(HASHES[index], index, size, path, mth(HASHES[:size]))


@given(st.data())
def test_any_log_is_shown_to_begin_with_any_earlier_one(data: st.DataObject) -> None:
    new = data.draw(st.integers(0, 300))
    old = data.draw(st.integers(0, new))

    path = consistency_path(old, new, SUBTREE)

    verify_consistency(old, mth(HASHES[:old]), new, mth(HASHES[:new]), path)


def test_every_pair_of_sizes_up_to_a_hundred() -> None:
    for size in range(1, 101):
        whole = mth(HASHES[:size])
        for other in range(size):
            verify_inclusion(
                HASHES[other], other, size, inclusion_path(other, size, SUBTREE), whole
            )
            path = consistency_path(other, size, SUBTREE)
            verify_consistency(other, mth(HASHES[:other]), size, whole, path)


@pytest.mark.parametrize(("index", "size"), [(-1, 3), (3, 3), (0, 0)])
def test_there_is_no_path_for_an_entry_outside_the_log(index: int, size: int) -> None:
    with pytest.raises(ValueError, match="no leaf"):
        inclusion_path(index, size, SUBTREE)


@pytest.mark.parametrize(("old", "new"), [(-1, 3), (4, 3)])
def test_there_is_no_path_from_a_later_log_to_an_earlier_one(old: int, new: int) -> None:
    with pytest.raises(ValueError, match="no tree"):
        consistency_path(old, new, SUBTREE)


def test_another_implementation_has_the_same_roots_and_paths() -> None:
    """pymerkle 7 (GPL, in tests only): it counts from 1, and puts the leaf before the path.

    Its proofs of consistency have another form than the RFC's and cannot be compared.
    """
    other = InmemoryTree(algorithm="sha256")
    for leaf in LEAVES[:70]:
        other.append_entry(leaf)
    for size in range(1, 71):
        assert other.get_root(size) == mth(HASHES[:size])
        for index in range(size):
            theirs = other.prove_inclusion(index + 1, size).serialize()["path"]
            ours = [HASHES[index], *inclusion_path(index, size, SUBTREE)]
            assert theirs == [hashed.hex() for hashed in ours]


def test_the_worked_example_of_the_rfc() -> None:
    """RFC 9162 section 2.1.5 (that of RFC 6962 section 2.1.3): the tree of seven leaves."""
    a, b, c, d, e, f, j = HASHES[:7]
    g, h, i = node_hash(a, b), node_hash(c, d), node_hash(e, f)
    k, m = node_hash(g, h), node_hash(i, j)
    assert root(HASHES[:7]) == node_hash(k, m)
    # Named as in its figure, but `m` for its `l`.
    assert inclusion_path(0, 7, SUBTREE) == (b, h, m)
    assert inclusion_path(3, 7, SUBTREE) == (c, g, m)
    assert inclusion_path(4, 7, SUBTREE) == (f, j, k)
    assert inclusion_path(6, 7, SUBTREE) == (i, k)
    assert consistency_path(3, 7, SUBTREE) == (c, d, g, m)
    assert consistency_path(4, 7, SUBTREE) == (m,)
    assert consistency_path(6, 7, SUBTREE) == (i, j, k)


def test_one_bit_of_the_leaf_is_enough_to_be_refused() -> None:
    path = inclusion_path(11, 23, SUBTREE)
    with pytest.raises(LogProofError, match="does not lead"):
        verify_inclusion(leaf_hash(b"leaf 10"), 11, 23, path, mth(HASHES[:23]))
