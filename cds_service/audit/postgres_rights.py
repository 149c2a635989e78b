"""What the role of a service may do with the log, when another role owns its tables."""

from itertools import product

import psycopg
from psycopg import sql

from cds_service.audit import postgres_layout
from cds_service.audit.postgres_session import SCHEMA, Connection, connect, reason
from cds_service.errors import LogUnavailable

RIGHTS = (
    ("USAGE", f"SCHEMA {SCHEMA}"),
    ("SELECT, INSERT", "entry, tile"),
    ("SELECT, INSERT, DELETE", "payload"),
    ("INSERT, DELETE", "trial"),
    ("SELECT, INSERT, DELETE", "witness, used_token"),
    ("SELECT", "layout"),
)
"""Nothing that changes a row, and nothing that removes one of the log but of a payload."""
RIGHTS_TO_READ = (
    ("USAGE", f"SCHEMA {SCHEMA}"),
    ("SELECT", "entry, payload, tile, witness, layout"),
)
"""What an auditor needs."""


def lacking(connection: Connection) -> list[str]:
    """Which of RIGHTS the role of this connection has not, of the tables that are there."""
    found: list[str] = []
    for rights, what in RIGHTS:
        asked = product(rights.split(", "), what.split(", "))
        found += [
            f"{right} on {name}" for right, name in asked if not _has(connection, right, name)
        ]
        if found and what.startswith("SCHEMA "):
            break  # of what is within it nothing can be asked
    return found


def _has(connection: Connection, right: str, name: str) -> bool:
    query = "SELECT coalesce(has_table_privilege(to_regclass(%s)::oid, %s), true)"
    if name.startswith("SCHEMA "):
        query, name = "SELECT has_schema_privilege(%s, %s)", SCHEMA
    return connection.execute(query.encode(), (name, right)).fetchone() == (True,)


def prepare_for(url: str, role: str | None = None, auditor: str | None = None) -> None:
    """Make the tables, or bring them to the layout of now, and give two roles their rights.

    `role` is that of the service, `auditor` may only read. Raises LogUnavailable.
    """
    try:
        with connect(url) as connection:
            postgres_layout.prepare(connection)
            for name, every in ((role, RIGHTS), (auditor, RIGHTS_TO_READ)):
                for rights, what in every if name else ():
                    grant = sql.SQL(f"GRANT {rights} ON {what} TO {{}}")
                    connection.execute(grant.format(sql.Identifier(name or "")))
    except psycopg.Error as error:
        raise LogUnavailable(f"the audit log cannot be prepared: {reason(error)}") from error
