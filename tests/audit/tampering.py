"""Random tampering with the rows of a log, by somebody who may write to the database.

`TAMPERS` changes something at random and says what; the whole table is theirs, triggers and all.
"""

import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from cds_service.audit import sqlite_layout
from cds_service.audit.growing import Growth
from cds_service.audit.rows import EntryRow, Item, PayloadRow, item_of
from cds_service.audit.seal import Plain
from cds_service.audit.tree import leaf_hash

from .conftest import entry

COLUMNS = {
    "entry": EntryRow._fields,
    "payload": PayloadRow._fields,
    "tile": ("level", "number", "hashes", "root"),
}


@contextmanager
def tampering(connection: sqlite3.Connection) -> Iterator[None]:
    """What is changed inside is taken back at the end."""
    connection.execute("SAVEPOINT before")
    yield
    connection.execute("ROLLBACK TO before")
    connection.execute("RELEASE before")


def disarm(connection: sqlite3.Connection) -> None:
    """Drop the triggers: they stop mistakes, not somebody who owns the database."""
    names = connection.execute("SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'")
    for name, table in names.fetchall():
        if table != "incoming":
            connection.execute(f"DROP TRIGGER {name}")


def altered(value: Any, chance: random.Random) -> Any:
    """One bit of a value, or a little more of what has no bits."""
    if value is None:
        return chance.choice((1, 7))
    if isinstance(value, int):
        return value ^ (1 << chance.randrange(4))
    if isinstance(value, str):
        if not value:
            return "x"
        at = chance.randrange(len(value))
        return value[:at] + chr(ord(value[at]) ^ (1 << chance.randrange(3))) + value[at + 1 :]
    at = chance.randrange(8 * len(value)) if value else None
    if at is None:
        return b"\x00"
    flipped = bytearray(value)
    flipped[at // 8] ^= 1 << at % 8
    return bytes(flipped)


def bit_flip(log: sqlite3.Connection, chance: random.Random) -> str:
    table = chance.choice(["entry", "entry", "payload", "payload", "tile"])
    rows = [row for (row,) in log.execute(f"SELECT rowid FROM {table}")]
    if not rows:
        return bit_flip(log, chance)
    row = chance.choice(rows)
    column = chance.choice(COLUMNS[table])
    (value,) = log.execute(f"SELECT {column} FROM {table} WHERE rowid = ?", (row,)).fetchone()
    blob = column in ("key_hash", "wrapped_key")
    new = bytes(32) if value is None and blob else altered(value, chance)
    if column == "key_hash" and erased(log, row):
        return bit_flip(log, chance)  # of an erased entry nobody knows it any more
    try:
        log.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (new, row))
    except sqlite3.IntegrityError:  # the database itself refuses a second row of that place
        return bit_flip(log, chance)
    return f"{table}.{column} of {row}"


def erased(log: sqlite3.Connection, position: int) -> bool:
    return log.execute("SELECT 1 FROM payload WHERE position = ?", (position,)).fetchone() is None


def delete(log: sqlite3.Connection, chance: random.Random) -> str:
    """Remove a row; of an entry with what follows moved up, or not."""
    table = chance.choice(["entry", "payload", "both", "tile"])
    if table == "tile" and log.execute("SELECT 1 FROM tile").fetchone():
        (row,) = chance.choice(log.execute("SELECT rowid FROM tile").fetchall())
        log.execute("DELETE FROM tile WHERE rowid = ?", (row,))
        return f"tile {row}"
    kept = log.execute("SELECT position FROM payload").fetchall()
    (at,) = chance.choice(kept)
    if table in ("entry", "both"):
        log.execute("DELETE FROM entry WHERE position = ?", (at,))
    if table != "entry":
        log.execute("DELETE FROM payload WHERE position = ?", (at,))
    if table == "both" and chance.random() < 0.7:
        move(log, at + 1, -1)
    return f"{table} {at}"


def move(log: sqlite3.Connection, first: int, by: int) -> None:
    for table in ("entry", "payload"):
        for sign in (-1, 1):  # by way of negative positions, which nobody has
            log.execute(
                f"UPDATE {table} SET position = -(position + {by if sign < 0 else 0})"
                f" WHERE {'position >= ?' if sign < 0 else 'position < ?'}",
                (first if sign < 0 else 0,),
            )


def forged(chance: random.Random) -> Item:
    number = chance.randrange(10**6)
    return item_of(replace(entry(number), patient="Patient/forged"), Plain())


def put(log: sqlite3.Connection, item: Item, position: int) -> None:
    for table, row in (("entry", item.entry), ("payload", item.payload)):
        marks = ", ".join("?" * (1 + len(row)))
        log.execute(f"INSERT INTO {table} VALUES ({marks})", (position, *row))


def insert(log: sqlite3.Connection, chance: random.Random) -> str:
    size = length(log)
    at = chance.randrange(size + 1)
    move(log, at, 1)
    put(log, forged(chance), at)
    return f"inserted at {at} of {size}"


def length(log: sqlite3.Connection) -> int:
    (size,) = log.execute("SELECT COUNT(*) FROM entry").fetchone()
    return int(size)


def reorder(log: sqlite3.Connection, chance: random.Random) -> str:
    """Exchange two entries, or their payloads, or two tiles."""
    kept = [at for (at,) in log.execute("SELECT position FROM payload")]
    one, other = chance.sample(kept, 2)
    for table in chance.choice([("entry",), ("payload",), ("entry", "payload")]):
        for here, there in ((one, -1), (other, one), (-1, other)):
            log.execute(f"UPDATE {table} SET position = ? WHERE position = ?", (there, here))
    return f"exchanged {one} and {other}"


def truncate(log: sqlite3.Connection, chance: random.Random) -> str:
    size = length(log)
    end = chance.randrange(size)
    for table in ("entry", "payload"):
        log.execute(f"DELETE FROM {table} WHERE position >= ?", (end,))
    if chance.random() < 0.5:  # carefully: with the tiles that the rest does not make
        log.execute("DELETE FROM tile WHERE (number + 1) * 256 > ?", (end,))
    return f"cut at {end} of {size}"


def rebuild(log: sqlite3.Connection, chance: random.Random) -> str:
    """One entry forged and the whole tree made anew: consistent in itself."""
    size = length(log)
    at = chance.randrange(size)
    log.execute("DELETE FROM entry WHERE position = ?", (at,))
    log.execute("DELETE FROM payload WHERE position = ?", (at,))
    log.execute("DELETE FROM entry WHERE about = ? AND kind = 'erasure'", (at,))
    log.execute("DELETE FROM tile")
    put(log, forged(chance), at)
    positions = [position for (position,) in log.execute("SELECT position FROM entry ORDER BY 1")]
    for gap in sorted(set(range(size)) - set(positions)):
        log.execute("DELETE FROM payload WHERE position = ?", (gap,))
        put(log, forged(chance), gap)
    leaves = log.execute("SELECT leaf FROM entry ORDER BY position")
    for tile in Growth().grown([leaf_hash(leaf) for (leaf,) in leaves])[1]:
        log.execute("INSERT INTO tile (level, number, hashes, root) VALUES (?, ?, ?, ?)", tile)
    return f"made anew with {at} of {size} forged"


Tamper = Callable[[sqlite3.Connection, random.Random], str]
TAMPERS: dict[str, Tamper] = {
    each.__name__: each for each in (bit_flip, delete, insert, reorder, truncate, rebuild)
}
assert sqlite_layout.VERSION == 2, "what is tampered with here is layout 2"
