"""Tiles: the same hashes as the whole tree, few reads, at any size."""

import dataclasses
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.audit import tiles
from cds_service.audit.tiles import WIDTH, Tile, TileReader, complete, completed
from cds_service.audit.tree import (
    Frontier,
    consistency_path,
    inclusion_path,
    leaf_hash,
    node_hash,
    root,
)
from cds_service.audit.verify import verify_consistency, verify_inclusion
from cds_service.errors import LogUnavailable


@dataclasses.dataclass
class Memory:
    """A store in memory; it counts what is read."""

    leaves: bytearray = dataclasses.field(default_factory=bytearray)
    tiles: dict[tuple[int, int], Tile] = dataclasses.field(default_factory=dict)
    reads: int = 0

    @property
    def size(self) -> int:
        return len(self.leaves) // 32

    def grow(self, hashes: bytes) -> None:
        before = self.size
        self.leaves += hashes
        for tile in complete(before, self.size, self):
            assert (tile.level, tile.number) not in self.tiles
            self.tiles[tile.level, tile.number] = tile

    def tile(self, level: int, number: int) -> bytes | None:
        self.reads += 1
        found = self.tiles.get((level, number))
        return found and found.hashes

    def nodes(self, level: int, first: int, count: int) -> bytes:
        self.reads += 1
        if level == 0:
            return bytes(self.leaves[first * 32 : (first + count) * 32])
        below = (self.tiles.get((level - 1, number)) for number in range(first, first + count))
        return b"".join(tile.root for tile in below if tile)


def hashes(first: int, count: int) -> bytes:
    return b"".join(leaf_hash(b"%d" % number) for number in range(first, first + count))


BIG = 66_000
"""More than one tile of level 1."""


@pytest.fixture(scope="module")
def big() -> Memory:
    memory = Memory()
    for first in range(0, BIG, 100):  # no divisor of 256: commits end anywhere
        memory.grow(hashes(first, 100))
    return memory


def frontiers(memory: Memory, *sizes: int) -> list[bytes]:
    """The root at each size, leaf by leaf, without tiles."""
    frontier, found = Frontier(), {0: Frontier().root()}
    for number in range(max(sizes)):
        frontier = frontier.append(bytes(memory.leaves[number * 32 : number * 32 + 32]))
        if frontier.size in sizes:
            found[frontier.size] = frontier.root()
    return [found[size] for size in sizes]


@given(st.integers(0, 400_000), st.integers(0, 70_000))
def test_each_tile_is_completed_once_in_whatever_steps_the_log_grows(
    middle: int, more: int
) -> None:
    whole = set(completed(0, middle + more))
    first, second = list(completed(0, middle)), list(completed(middle, middle + more))

    assert whole == {*first, *second}
    assert len(whole) == len(first) + len(second)
    assert [level for level, _ in second] == sorted(level for level, _ in second)


def test_a_tile_is_complete_when_all_the_leaves_below_it_are_there() -> None:
    assert list(completed(0, 255)) == []
    assert list(completed(255, 256)) == [(0, 0)]
    assert (2, 0) not in completed(0, 256**3 - 1)
    assert list(completed(256**3 - 1, 256**3)) == [(0, 65535), (1, 255), (2, 0)]


def test_the_root_of_a_tile_is_the_node_above_it(big: Memory) -> None:
    left, right = big.tiles[0, 0].root, big.tiles[0, 1].root

    assert TileReader(BIG, big).subtree(0, 2 * WIDTH) == node_hash(left, right)
    assert big.tiles[1, 0].hashes[:64] == left + right
    assert TileReader(BIG, big).subtree(0, 65_536) == big.tiles[1, 0].root


@settings(max_examples=60)
@given(data=st.data())
def test_proofs_from_tiles_verify_at_any_size(big: Memory, data: st.DataObject) -> None:
    edges = [1, 255, 256, 257, 511, 512, 513, 65_535, 65_536, 65_537, BIG]
    size = data.draw(st.integers(1, BIG) | st.sampled_from(edges))
    old = data.draw(st.integers(0, size))
    index = data.draw(st.integers(0, size - 1))
    reader = TileReader(size, big)
    root = Frontier.load(size, reader.subtree).root()
    old_root = Frontier.load(old, TileReader(old, big).subtree).root()
    leaf = bytes(big.leaves[index * 32 : index * 32 + 32])

    verify_inclusion(leaf, index, size, inclusion_path(index, size, reader.subtree), root)
    path = consistency_path(old, size, reader.subtree)
    verify_consistency(old, old_root, size, root, path)


def test_roots_from_tiles_are_those_counted_leaf_by_leaf(big: Memory) -> None:
    sizes = [1, 255, 256, 257, 65_535, 65_536, 65_793, BIG]

    from_tiles = [Frontier.load(size, TileReader(size, big).subtree).root() for size in sizes]

    assert from_tiles == frontiers(big, *sizes)


@pytest.mark.parametrize("size", [1000, 10_000, BIG])
def test_a_proof_reads_two_tiles_of_a_level_at_most(big: Memory, size: int) -> None:
    levels = 1 + (size >= WIDTH) + (size >= WIDTH**2)
    for index in (0, size // 3, size // 2, size - 1):
        before = big.reads
        inclusion_path(index, size, TileReader(size, big).subtree)
        assert big.reads - before <= 2 * levels
        before = big.reads
        consistency_path(index, size, TileReader(size, big).subtree)
        assert big.reads - before <= 2 * levels


@pytest.mark.parametrize(
    ("first", "count"), [(0, 0), (0, -1), (0, 3), (1, 2), (512, 256), (767, 1)]
)
def test_only_perfect_parts_of_the_log_have_a_root(first: int, count: int) -> None:
    memory = Memory()
    memory.grow(hashes(0, 767))

    with pytest.raises(ValueError, match="no perfect part"):
        TileReader(767, memory).subtree(first, count)


def test_what_is_missing_is_said_and_never_made_up() -> None:
    memory = Memory()
    memory.grow(hashes(0, 600))
    reader = TileReader(600, memory)
    tile = memory.tiles.pop((0, 1))

    with pytest.raises(LogUnavailable, match="tile 1 of level 0"):
        reader.subtree(256, 128)
    with pytest.raises(LogUnavailable, match="from 0 on level 1"):
        reader.subtree(0, 512)
    memory.tiles[0, 1] = tile._replace(hashes=tile.hashes[:-1])
    with pytest.raises(LogUnavailable, match="tile 1 of level 0"):
        reader.subtree(256, 128)
    del memory.leaves[-32:]
    with pytest.raises(LogUnavailable, match="from 512 on level 0"):
        reader.subtree(512, 64)
    with pytest.raises(LogUnavailable, match="from 512 on level 0"):
        list(complete(512, 768, memory))


def test_a_proof_of_a_large_log_hashes_no_more_than_its_tiles(
    big: Memory, monkeypatch: pytest.MonkeyPatch
) -> None:
    hashed = []

    def counting(hashes: Iterable[bytes]) -> bytes:
        of = list(hashes)
        hashed.append(len(of))
        return root(of)

    monkeypatch.setattr(tiles, "root", counting)
    for index in range(0, BIG, BIG // 20):
        hashed.clear()
        path = inclusion_path(index, BIG, TileReader(BIG, big).subtree)
        # Each hash of the path is the root of a part of one tile, and all parts of a tile together
        # have no more than its hashes: at most two tiles for each of the three levels.
        assert len(hashed) >= len(path)
        assert sum(hashed) <= 2 * 3 * WIDTH
