"""Verify a whole log: every leaf, payload and tile, against checkpoints that were kept outside.

What it finds is the first bad position. One thing nobody can find: a log that was written anew
and signed with the stolen key, when no checkpoint of the old one was kept outside. Every answer
carries one, so its callers have them.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple, Protocol

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.finding import Finding, Verification
from cds_service.audit.growing import Growth
from cds_service.audit.leaf import Head, commits, head_of, rest_of
from cds_service.audit.record import ERASURE
from cds_service.audit.rows import EntryRow, PayloadRow, classes_text, key_hash, moment
from cds_service.audit.seal import Sealer
from cds_service.audit.tiles import HEIGHT, WIDTH, Rows, Tile
from cds_service.audit.tree import HASH_SIZE, leaf_hash
from cds_service.errors import LogUnavailable

CHUNK = 512
"""Entries that are read at once."""
_NOT_IN_TILE = "the entry is not the one that the tile commits to"


class Stored(NamedTuple):
    """One entry as it is in the database; nothing of it is believed."""

    position: int
    entry: EntryRow
    payload: PayloadRow | None
    """None: there is none."""


class Readable(Rows, Protocol):
    """What a store lets be verified, all as it was at one moment."""

    def size(self) -> int:
        """How many entries there are (one more than the last position)."""
        ...

    def stored(self, first: int, limit: int) -> Sequence[Stored]:
        """The first entries from position `first` on, in order."""
        ...

    def erased(self) -> set[int]:
        """What the erasures say that they are about."""
        ...

    def tiles(self) -> int:
        """How many tiles there are."""
        ...

    def stray(self) -> int | None:
        """The position of a payload without an entry, if there is one."""
        ...


class _Bad(Exception):
    def __init__(self, position: int, what: str) -> None:
        super().__init__(what)
        self.finding = Finding(position, what)


def verify_log(
    log: Readable,
    sealer: Sealer,
    kept: Sequence[Checkpoint] = (),
    *,
    since: Checkpoint | None = None,
    payloads: bool = True,
    progress: Callable[[int, int], None] = lambda done, size: None,  # noqa: ARG005
) -> Verification:
    """Read the log from its beginning; with `since`, a checkpoint of before, from there on.

    `kept` are checkpoints from outside whose signatures were verified (`open_checkpoint`), in
    any order. `payloads`: False looks at leaves and tiles only, for those who may not have the
    key of the payloads. `progress` is told how many entries of how many are done.
    """
    return _Run(log, sealer if payloads else None, kept, since, progress).verified()


class _Run:
    def __init__(
        self,
        log: Readable,
        sealer: Sealer | None,
        kept: Sequence[Checkpoint],
        since: Checkpoint | None,
        progress: Callable[[int, int], None],
    ) -> None:
        self._log, self._sealer, self._progress = log, sealer, progress
        self._size = log.size()
        self._since = since
        self._kept = sorted((*kept, *([since] if since else ())), key=lambda each: each.size)
        self._next = 0
        """Which of `_kept` comes next."""
        self._told = log.erased()
        self._good = 0
        """Up to here a checkpoint has vouched."""
        self._growth = Growth()
        self._hashes: list[bytes] = []
        """Of leaves that are not in the tree yet."""
        self._erased = 0

    def verified(self) -> Verification:
        finding = None
        try:
            self._begin()
            self._outside()
            for stored in self._in_order():
                self._one(stored)
            self._grow()
            self._end()
        except _Bad as bad:
            finding = self._earlier() or bad.finding
        frontier = self._growth.frontier
        beyond = max(0, frontier.size - (self._kept[-1].size if self._kept else 0))
        return Verification(frontier.size, frontier.root(), self._erased, beyond, finding)

    def _begin(self) -> None:
        """Go on from a checkpoint: the tiles must give its root."""
        if self._since is None:
            return
        size = self._since.size
        if size > self._size:
            raise _Bad(self._size, f"the log has {self._size} entries, a checkpoint has {size}")
        try:
            self._growth = Growth.load(self._log, size)
        except LogUnavailable as error:
            raise _Bad(0, str(error)) from error
        self._next = sum(each.size < size for each in self._kept)

    def _outside(self) -> None:
        """Whether the tree as far as it was read is that of the checkpoints of this size."""
        size = self._growth.size
        while self._due == size:
            if self._kept[self._next].root != self._growth.frontier.root():
                what = f"entries from here to before {size} are not those of the checkpoint"
                raise _Bad(self._good, what)
            self._good = size
            self._next += 1

    def _in_order(self) -> Iterator[Stored]:
        while part := self._log.stored(self._position, CHUNK):
            for stored in part:
                if stored.position != self._position:
                    raise _Bad(self._position, "the entry is missing")
                yield stored
            self._progress(self._position, self._size)

    def _one(self, stored: Stored) -> None:
        position, entry, payload = stored
        try:
            head = head_of(entry.leaf)
        except ValueError as error:
            raise _Bad(position, "the leaf is none of this log") from error
        _same_entry(position, entry, head)
        if payload is None:
            self._gone(position, head)
        elif position in self._told and head.kind != ERASURE:
            raise _Bad(position, "an entry says that the payload was erased, but it is there")
        elif self._sealer is not None:
            _look(position, entry, head, payload, self._sealer)
        self._add(leaf_hash(entry.leaf))

    def _gone(self, position: int, head: Head) -> None:
        if position not in self._told or head.kind == ERASURE:
            raise _Bad(position, "the payload is missing and no entry says that it was erased")
        self._erased += 1

    @property
    def _position(self) -> int:
        """The entry that is looked at now, or comes next."""
        return self._growth.size + len(self._hashes)

    def _add(self, hashed: bytes) -> None:
        """Grow the tree as late as can be: when a tile is full or a checkpoint is reached."""
        self._hashes.append(hashed)
        size = self._position
        if size % WIDTH == 0 or size == self._due:
            self._grow()

    def _grow(self) -> None:
        self._growth, tiles = self._growth.grown(self._hashes)
        self._hashes = []
        for tile in tiles:
            self._tile(tile)
        self._outside()

    def _earlier(self) -> Finding | None:
        """The first of the leaves that fill no tile yet which the stored tile does not have."""
        begun = self._growth.edge[0] + b"".join(self._hashes)
        number = self._growth.size >> HEIGHT
        stored = self._log.tile(0, number)
        for place in range(len(begun) // HASH_SIZE):
            if stored is not None and _hash(stored, place) != _hash(begun, place):
                return Finding(number * WIDTH + place, _NOT_IN_TILE)
        return None

    @property
    def _due(self) -> int | None:
        """The size of the next checkpoint."""
        return self._kept[self._next].size if self._next < len(self._kept) else None

    def _tile(self, tile: Tile) -> None:
        """Compare a tile with the stored one; the first hash that differs tells the entry."""
        stored = self._log.tile(tile.level, tile.number)
        width = 1 << HEIGHT * tile.level
        first = tile.number * width << HEIGHT
        if stored is None:
            raise _Bad(first, f"tile {tile.number} of level {tile.level} is missing")
        if stored != tile.hashes:
            place = next(
                (at for at in range(WIDTH) if _hash(stored, at) != _hash(tile.hashes, at)), 0
            )
            raise _Bad(first + place * width, _NOT_IN_TILE)
        if self._log.nodes(tile.level + 1, tile.number, 1) != tile.root:
            raise _Bad(first, f"the root of tile {tile.number} of level {tile.level} is wrong")

    def _end(self) -> None:
        size = self._growth.size
        if self._kept and self._kept[-1].size > size:
            raise _Bad(size, f"the log ends here, a checkpoint has {self._kept[-1].size} entries")
        if (stray := self._log.stray()) is not None:
            raise _Bad(stray, "there is a payload without an entry")
        whole = sum(size >> HEIGHT * level for level in range(1, 9))
        if self._log.tiles() != whole:
            raise _Bad(size, f"there are {self._log.tiles()} tiles, the entries make {whole}")
        if any(not 0 <= index < size for index in self._told):
            raise _Bad(size, "an erasure is about an entry that is not there")


def _same_entry(position: int, entry: EntryRow, head: Head) -> None:
    """What stands beside the leaf for searching is what the leaf says."""
    said = (
        head.kind,
        moment(head.recorded),
        head.origin.tenant,
        head.origin.caller,
        head.protocol,
        head.about,
    )
    beside = (entry.kind, entry.recorded, entry.tenant, entry.caller, entry.protocol, entry.about)
    if said != beside:
        raise _Bad(position, "a column of the entry is not what the leaf says")


def _look(position: int, entry: EntryRow, head: Head, stored: PayloadRow, sealer: Sealer) -> None:
    """The payload is the one of the leaf, and what stands beside it is what it says."""
    try:
        payload = sealer.open(entry.leaf, stored.sealed)
        if not commits(head, payload):
            raise _Bad(position, "the payload is not the one that the leaf commits to")
        rest = rest_of(payload)
        key = key_hash(head.origin.tenant, head.origin.caller, rest["key"])
        said = (
            rest["outcome"],
            classes_text(rest["classes"]),
            moment(datetime.fromisoformat(rest["as-of"])),
        )
        named = stored.patient in sealer.names(rest["patient"])
        named &= stored.decision in sealer.names(rest["decision"])
    except LogUnavailable as error:
        raise _Bad(position, str(error)) from error
    except (ValueError, KeyError, TypeError) as error:
        raise _Bad(position, "the payload cannot be read") from error
    if entry.key_hash != key:
        raise _Bad(position, "the column key_hash is not what the payload says")
    if not named or said != (stored.outcome, stored.classes, stored.as_of):
        raise _Bad(position, "a column of the payload is not what the payload says")


def _hash(hashes: bytes, at: int) -> bytes:
    return hashes[at * HASH_SIZE : (at + 1) * HASH_SIZE]
