"""Questions to the log over one connection: SQL that SQLite and PostgreSQL both understand."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from cds_service.audit.outline import COLUMNS as _OUTLINE
from cds_service.audit.outline import Outline, outline
from cds_service.audit.record import BESIDE, ERASURE, RECOMMENDATION
from cds_service.audit.rows import SEALED, EntryRow, PayloadRow, logged
from cds_service.audit.seal import Sealer
from cds_service.audit.search import where
from cds_service.audit.store import Logged, Query
from cds_service.audit.tree import leaf_hash
from cds_service.audit.verify_log import Stored

LAST = 2**63 - 1
"""The largest position that a database can number."""
Ask = Callable[[str, Sequence[Any]], list[Any]]
"""Runs a statement, in which a value is `?`; its rows."""

_COLUMNS = ", ".join(("entry.position", "entry.leaf", *(f"payload.{name}" for name in SEALED)))
_BOTH = f"SELECT {_COLUMNS} FROM entry LEFT JOIN payload ON payload.position = entry.position"  # noqa: S608
_ROWS = (
    "SELECT entry.position, "  # noqa: S608
    f"{', '.join(f'entry.{name}' for name in EntryRow._fields)}, payload.position, "
    f"{', '.join(f'payload.{name}' for name in PayloadRow._fields)} "
    "FROM entry LEFT JOIN payload ON payload.position = entry.position"
)
_ASKED = 500
"""Values in one list of a statement."""


class Reader:
    """Reads one connection; it is also `tiles.Rows`. Raises what `ask` raises."""

    def __init__(self, ask: Ask, sealer: Sealer) -> None:
        self._all = ask
        self._sealer = sealer

    def size(self) -> int:
        """How many entries there are."""
        return int(self._all("SELECT COALESCE(MAX(position) + 1, 0) FROM entry", ())[0][0])

    def tile(self, level: int, number: int) -> bytes | None:
        """See `Rows`."""
        query = "SELECT hashes FROM tile WHERE level = ? AND number = ?"
        found = self._all(query, (level, number))
        return bytes(found[0][0]) if found else None

    def nodes(self, level: int, first: int, count: int) -> bytes:
        """See `Rows`."""
        last = first + count
        if level:
            query = "SELECT root FROM tile WHERE level = ? AND number >= ? AND number < ?"
            rows = self._all(f"{query} ORDER BY number", (level - 1, first, last))
            return b"".join(root for (root,) in rows)
        query = "SELECT leaf FROM entry WHERE position >= ? AND position < ? ORDER BY position"
        return b"".join(leaf_hash(leaf) for (leaf,) in self._all(query, (first, last)))

    def get(self, index: int) -> Logged | None:
        """The entry at `index`."""
        if not 0 <= index <= LAST:
            return None
        found = self._entries(f"{_BOTH} WHERE entry.position = ?", (index,))
        return found[0] if found else None

    def by_key(self, hashed: bytes) -> Logged | None:
        """The entry with this key."""
        found = self._entries(f"{_BOTH} WHERE entry.key_hash = ?", (hashed,))
        return found[0] if found else None

    def taken(self, hashes: Sequence[bytes]) -> dict[bytes, int]:
        """Which of these keys are there, and where."""
        found: dict[bytes, int] = {}
        for at in range(0, len(hashes), _ASKED):
            part = hashes[at : at + _ASKED]
            query = f"SELECT key_hash, position FROM entry WHERE key_hash IN ({_marks(part)})"  # noqa: S608
            found.update(self._all(query, part))
        return found

    def is_kept(self, index: int) -> bool:
        """Whether there is an entry that is not erased."""
        return bool(self._all("SELECT 1 FROM payload WHERE position = ?", (index,)))

    def is_fed_back(self, index: int) -> bool:
        """Whether a feedback about the entry, or a label of it, is not erased."""
        query = (
            "SELECT 1 FROM entry JOIN payload ON payload.position = entry.position"
            " WHERE entry.about = ? AND entry.kind IN (?, ?) LIMIT 1"
        )
        return bool(self._all(query, (index, *BESIDE)))

    def between(self, first: int, last: int, limit: int) -> list[Logged]:
        """The first entries from `first` to before `last`."""
        condition = "WHERE entry.position >= ? AND entry.position < ? ORDER BY entry.position"
        return self._entries(f"{_BOTH} {condition} LIMIT ?", (first, min(last, LAST), limit))

    def find(self, query: Query) -> list[Logged]:
        """The newest entries that match."""
        text, values = where(query, self._sealer)
        statement = f"SELECT {_COLUMNS} FROM {text} ORDER BY entry.position DESC LIMIT ?"  # noqa: S608
        return self._entries(statement, (*values, query.limit))

    def outlines(self, query: Query) -> list[Outline]:
        """The newest entries that match, without what can be erased."""
        text, values = where(query, self._sealer)
        statement = f"SELECT {_OUTLINE} FROM {text} ORDER BY entry.position DESC LIMIT ?"  # noqa: S608
        return [outline(row) for row in self._all(statement, (*values, query.limit))]

    def outlines_from(self, first: int, limit: int) -> list[Outline]:
        """The first entries from `first` on, in order, without what can be erased."""
        text = where(Query(), self._sealer).text
        condition = "WHERE entry.position >= ? ORDER BY entry.position LIMIT ?"
        statement = f"SELECT {_OUTLINE} FROM {text} {condition}"  # noqa: S608
        return [outline(row) for row in self._all(statement, (first, limit))]

    def count(self, query: Query) -> int:
        """How many entries match."""
        text, values = where(query, self._sealer, page=False)
        return int(self._all(f"SELECT COUNT(*) FROM {text}", values)[0][0])  # noqa: S608

    def kept_since(self, before: str, limit: int) -> list[int]:
        """The oldest entries recorded before that moment of which the payload is still there."""
        query = (
            "SELECT payload.position FROM payload JOIN entry ON entry.position = payload.position"
            " WHERE entry.recorded < ? AND entry.kind IN (?, ?, ?)"
            " ORDER BY payload.position LIMIT ?"
        )
        values = (before, RECOMMENDATION, *BESIDE, limit)
        return [position for (position,) in self._all(query, values)]

    def wrapped_keys(self) -> list[bytes]:
        """The wrapped keys of the oldest and the newest payload, where these are encrypted."""
        query = (
            "SELECT wrapped_key FROM payload WHERE position IN"
            " ((SELECT MIN(position) FROM payload), (SELECT MAX(position) FROM payload))"
        )
        return [bytes(key) for (key,) in self._all(query, ()) if key is not None]

    def stored(self, first: int, limit: int) -> list[Stored]:
        """See `verify_log.Readable`."""
        rows = self._all(f"{_ROWS} WHERE entry.position >= ? ORDER BY 1 LIMIT ?", (first, limit))
        return [_stored(row) for row in rows]

    def erased(self) -> set[int]:
        """See `verify_log.Readable`."""
        query = "SELECT about FROM entry WHERE kind = ? AND about IS NOT NULL"
        return {about for (about,) in self._all(query, (ERASURE,))}

    def tiles(self) -> int:
        """See `verify_log.Readable`."""
        return int(self._all("SELECT COUNT(*) FROM tile", ())[0][0])

    def stray(self) -> int | None:
        """See `verify_log.Readable`."""
        query = (
            "SELECT MIN(position) FROM payload WHERE NOT EXISTS"
            " (SELECT 1 FROM entry WHERE entry.position = payload.position)"
        )
        found: int | None = self._all(query, ())[0][0]
        return found

    def _entries(self, query: str, values: Iterable[Any]) -> list[Logged]:
        return [
            logged(position, leaf, sealed, self._sealer)
            for position, leaf, *sealed in self._all(query, tuple(values))
        ]


def _stored(row: Sequence[Any]) -> Stored:
    split = 1 + len(EntryRow._fields)
    there, *payload = row[split:]
    return Stored(row[0], EntryRow(*row[1:split]), None if there is None else PayloadRow(*payload))


def _marks(values: Sequence[Any]) -> str:
    return ", ".join("?" * len(values))
