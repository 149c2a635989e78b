"""One commit in PostgreSQL, under the lock that gives all replicas one log.

`pg_advisory_xact_lock` is the sequencer: whoever holds it sees how long the log is, puts its rows
behind it and commits; the lock ends with the transaction, after the flush. The rows go by COPY in
its binary form, which costs least on both sides.
"""

import os
from collections.abc import Iterable, Sequence
from typing import Any

import psycopg

from cds_service.audit.postgres_layout import SEQUENCER
from cds_service.audit.postgres_session import (
    DURABILITY,
    Connection,
    last_row,
    prove_durable,
    text,
)
from cds_service.audit.record import ERASURE
from cds_service.audit.rows import EntryRow, Item, PayloadRow
from cds_service.audit.tiles import Tile
from cds_service.errors import LogUnavailable

TRIAL_BYTES = 64 * 1024
"""What a trial commit writes: more than an entry of a usual visit."""

_SIZE = "(SELECT coalesce(max(position) + 1, 0) FROM entry)"
_LEAF = "(SELECT leaf FROM entry WHERE position = %d)"
_BEGIN = "; ".join(
    (
        "BEGIN ISOLATION LEVEL READ COMMITTED",
        f"SELECT pg_advisory_xact_lock({SEQUENCER})",
        f"SELECT {_SIZE}, {_LEAF}, {DURABILITY}",
    )
).encode()
"""One message, but each statement sees what was committed before it: the last one is sure."""
_ENTRY = ("position", *EntryRow._fields)
_PAYLOAD = ("position", *PayloadRow._fields)
_BIGINT = {"position", "about", "number"}
_BYTES = {
    "leaf", "key_hash", "wrapped_key", "salt", "rest", "request", "response", "hashes", "root",
}  # fmt: skip


def begin(connection: Connection, known: int) -> tuple[int, bytes | None]:
    """Begin a transaction and become the only one who appends.

    How many entries there are, and the leaf of the last of the `known` first ones (None when it
    is not there). Raises LogUnavailable when a commit would not be durable, psycopg.Error.
    """
    size, leaf, *settings = last_row(connection.execute(_BEGIN % (known - 1)))
    prove_durable(settings)
    return size, leaf


def commit(connection: Connection) -> None:
    """Make it durable. When this fails nobody knows whether it is; then it is read anew.

    PostgreSQL answers COMMIT of a transaction that failed with ROLLBACK, not with an error; and
    when the wait for a standby was cancelled, or there was no transaction, with a warning.
    """
    warnings: list[psycopg.errors.Diagnostic] = []
    connection.add_notice_handler(warnings.append)
    try:
        status = connection.execute("COMMIT").statusmessage
    finally:
        connection.remove_notice_handler(warnings.append)
    if status != "COMMIT" or warnings:
        said = "; ".join(warning.message_primary or "" for warning in warnings)
        raise LogUnavailable(f"the database answered COMMIT with {status}: {said}")


def insert(
    connection: Connection, items: Sequence[Item], tiles: Sequence[Tile], first: int
) -> None:
    """Insert within the transaction; the first item gets the position `first`."""
    numbered = list(enumerate(items, first))
    _copy(connection, "entry", _ENTRY, ((at, *item.entry) for at, item in numbered))
    _copy(connection, "payload", _PAYLOAD, ((at, *item.payload) for at, item in numbered))
    if tiles:
        _copy(connection, "tile", Tile._fields, tiles)


def erased(connection: Connection, index: int) -> bool:
    """Remove the payload of an entry that may be erased; whether there was one."""
    query = (
        "DELETE FROM payload WHERE position = %s"
        " AND (SELECT kind FROM entry WHERE position = %s) <> %s"
    )
    return connection.execute(query, (index, index, ERASURE)).rowcount > 0


def try_out(connection: Connection) -> None:
    """Write within the transaction as much as an entry would, beside the log itself."""
    connection.execute("DELETE FROM trial")
    connection.execute("INSERT INTO trial VALUES (%s)", [os.urandom(TRIAL_BYTES)])


def _copy(
    connection: Connection, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    statement = f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"
    with connection.cursor() as cursor, cursor.copy(statement.encode()) as copy:
        copy.set_types([_type(column) for column in columns])
        for row in rows:
            copy.write_row([text(value) for value in row])


def _type(column: str) -> str:
    if column == "level":
        return "int4"
    if column in _BIGINT:
        return "int8"
    return "bytea" if column in _BYTES else "text"
