"""The last checkpoint that was signed, in the database itself: one for all replicas.

It is no part of the log, and whoever owns the database can remove it. It shows at the start that
another key would sign than the one before, and gives auditors something that is signed.
"""

from collections.abc import Callable

import psycopg

from cds_service.audit import postgres_layout
from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import split
from cds_service.audit.postgres_session import SCHEMA, Connection, connect, reason
from cds_service.audit.witness import Place

_NAME = f"{SCHEMA}.witness"
_SINCE = 3
"""The layout that has the table."""


def in_table(
    url: str,
    writer: Callable[[], Connection | None] = lambda: None,
    dropped: Callable[[], None] = lambda: None,
) -> Place:
    """The place in the database at `url`.

    `writer` gives the connection to write over, None when there is none at the moment: then
    nothing is written. `dropped` is called when it cannot be gone on with.
    """

    def read() -> str | None:
        try:
            with connect(url, writes=False) as connection:
                return kept_note(connection)
        except psycopg.Error as error:
            raise OSError(reason(error)) from error

    def write(note: str) -> None:
        connection = writer()
        if connection is None:
            raise OSError("there is no connection")
        try:
            keep_note(connection, note)
        except psycopg.Error as error:
            dropped()
            raise OSError(reason(error)) from error

    return Place(_NAME, "empty that table as its owner", read, write)


def kept_note(connection: Connection) -> str | None:
    """The note of the largest checkpoint that is kept; None also in a layout without it."""
    if postgres_layout.layout(connection) < _SINCE:
        return None
    row = connection.execute("SELECT note FROM witness ORDER BY size DESC LIMIT 1").fetchone()
    return None if row is None else str(row[0])


def keep_note(connection: Connection, note: str) -> None:
    """Replace what is kept, unless another replica has signed for more."""
    size = Checkpoint.parse(split(note)[0]).size
    with connection.transaction():
        # Nobody waits for it, and if a power cut takes it the one of before holds as well.
        connection.execute("SET LOCAL synchronous_commit = off")
        connection.execute("DELETE FROM witness WHERE size <= %s", [size])
        connection.execute("INSERT INTO witness VALUES (%s, %s)", [size, note])
