"""The tables of the log in SQLite: layout 2, and what brings a log of an earlier layout to it.

`entry` and `tile` are for ever, `payload` can be removed but never changed. An entry, its payload
and the tiles it completes go in as rows of the view `incoming`, in one statement: under load each
further statement waits some milliseconds for its turn among the threads.
"""

import sqlite3
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from cds_service.audit.rows import EntryRow, Item, PayloadRow
from cds_service.audit.tiles import Tile

VERSION = 2
"""Version of the table layout (PRAGMA user_version)."""

_ENTRY = ("position", *EntryRow._fields)
_PAYLOAD = ("position", *PayloadRow._fields)
_ROW = ("position", *EntryRow._fields, *PayloadRow._fields)
_TILE = Tile._fields
_NO_ROW = (None,) * len(_ROW)
_NO_TILE = (None,) * len(_TILE)

_NEXT = "SELECT COALESCE(MAX(position) + 1, 0) FROM entry"


def _refused(table: str, event: str, when: str = "") -> str:
    name = f"{table}_{event.lower()}"
    return (
        f"CREATE TRIGGER {name} BEFORE {event} ON {table} {when}"
        " BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END"
    )


def _into(table: str, columns: Sequence[str]) -> str:
    values = ", ".join(f"NEW.{column}" for column in columns)
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({values});"  # noqa: S608


TABLES = (
    """CREATE TABLE entry (
        position INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        leaf BLOB NOT NULL,
        recorded TEXT NOT NULL,
        tenant TEXT NOT NULL,
        caller TEXT NOT NULL,
        protocol TEXT NOT NULL,
        about INTEGER,
        key_hash BLOB
    ) STRICT""",
    "CREATE UNIQUE INDEX entry_by_key ON entry (key_hash) WHERE key_hash IS NOT NULL",
    "CREATE INDEX entry_by_time ON entry (recorded)",
    "CREATE INDEX entry_by_about ON entry (about) WHERE about IS NOT NULL",
    # The large columns come last: what is searched is found without reading them.
    """CREATE TABLE payload (
        position INTEGER PRIMARY KEY,
        patient TEXT NOT NULL,
        decision TEXT NOT NULL,
        outcome TEXT NOT NULL,
        classes TEXT NOT NULL,
        as_of TEXT NOT NULL,
        wrapped_key BLOB,
        salt BLOB NOT NULL,
        rest BLOB NOT NULL,
        request BLOB NOT NULL,
        response BLOB NOT NULL
    ) STRICT""",
    "CREATE INDEX payload_by_patient ON payload (patient) WHERE patient <> ''",
    "CREATE INDEX payload_by_decision ON payload (decision) WHERE decision <> ''",
    """CREATE TABLE tile (
        level INTEGER NOT NULL,
        number INTEGER NOT NULL,
        root BLOB NOT NULL,
        hashes BLOB NOT NULL,
        PRIMARY KEY (level, number)
    ) STRICT""",
    f"CREATE VIEW incoming AS SELECT {', '.join(f'NULL AS {name}' for name in (*_ROW, *_TILE))}",
)
TRIGGERS = (
    _refused("entry", "UPDATE"),
    _refused("entry", "DELETE"),
    # The checks before INSERT also stop INSERT OR REPLACE, which fires no trigger of DELETE.
    _refused("entry", "INSERT", f"WHEN NEW.position <> ({_NEXT})"),
    _refused("payload", "UPDATE"),
    _refused(
        "payload",
        "INSERT",
        "WHEN NEW.position IS NOT (SELECT MAX(position) FROM entry)"
        " OR EXISTS (SELECT 1 FROM payload WHERE position = NEW.position)",
    ),
    _refused("tile", "UPDATE"),
    _refused("tile", "DELETE"),
    _refused(
        "tile",
        "INSERT",
        "WHEN EXISTS (SELECT 1 FROM tile WHERE level = NEW.level AND number = NEW.number)",
    ),
    f"""CREATE TRIGGER incoming_entry INSTEAD OF INSERT ON incoming WHEN NEW.level IS NULL
    BEGIN {_into("entry", _ENTRY)} {_into("payload", _PAYLOAD)} END""",
    f"""CREATE TRIGGER incoming_tile INSTEAD OF INSERT ON incoming WHEN NEW.level IS NOT NULL
    BEGIN {_into("tile", _TILE)} END""",
)


_PROTECTING = {statement.split()[2]: statement for statement in TRIGGERS}
"""Each trigger by its name."""


def unprotected(connection: sqlite3.Connection) -> list[str]:
    """Names of triggers that are missing, that say something else, or that are not ours.

    They keep a mistake, or another program, from changing what is recorded. Somebody who wants
    to can drop them: that they are not there shows that somebody did.
    """
    query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    found = dict(connection.execute(query).fetchall())
    names = dict.fromkeys((*_PROTECTING, *found))
    return [name for name in names if found.get(name) != _PROTECTING.get(name)]


def protect(connection: sqlite3.Connection) -> list[str]:
    """Make them again, within the caller's transaction; the names of those that were not right."""
    wrong = unprotected(connection)
    for name in wrong:
        connection.execute(f'DROP TRIGGER IF EXISTS "{name.replace(chr(34), chr(34) * 2)}"')
        if name in _PROTECTING:
            connection.execute(_PROTECTING[name])
    return wrong


def lay_out(connection: sqlite3.Connection) -> None:
    """Make the tables in a new file, within the caller's transaction."""
    for statement in (*TABLES, *TRIGGERS, f"PRAGMA user_version = {VERSION}"):
        connection.execute(statement)


def insert(
    connection: sqlite3.Connection, items: Sequence[Item], tiles: Sequence[Tile], first: int
) -> None:
    """Insert all in one statement; the first item gets the position `first`.

    Raises sqlite3.IntegrityError, and inserts nothing, when that is not the next position or a
    key is there already.
    """
    rows: list[tuple[Any, ...]] = [
        (position, *item.entry, *item.payload) for position, item in enumerate(items, first)
    ]
    if tiles:
        rows = [(*row, *_NO_TILE) for row in rows]
        rows += [(*_NO_ROW, *tile) for tile in tiles]
    # The driver keeps a statement with what was last bound to it: one for every number of rows
    # would hold thousands of requests in memory. So there is one for every power of two.
    room = 1 << (len(rows) - 1).bit_length()
    rows += [(None,) * len(rows[0])] * (room - len(rows))
    statement = _insert(room, with_tiles=bool(tiles))
    connection.execute(statement, [value for row in rows for value in row])


@lru_cache
def _insert(room: int, *, with_tiles: bool) -> str:
    columns = (*_ROW, *_TILE) if with_tiles else _ROW
    one = f"({', '.join('?' * len(columns))})"
    # SQLite names the columns of VALUES column1, column2, ... A row of nothing is left out.
    told = "column1 IS NOT NULL"
    if with_tiles:
        told += f" OR column{len(_ROW) + 1} IS NOT NULL"
    return (
        f"INSERT INTO incoming ({', '.join(columns)})"  # noqa: S608
        f" SELECT * FROM (VALUES {', '.join([one] * room)}) WHERE {told}"
    )
