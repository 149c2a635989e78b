"""What a start would find where a log in PostgreSQL is; nothing is written there.

A start tries a commit. Here the connection is proven to be a durable one as there, is made
read-only, and the server is asked what the role may do.
"""

import psycopg

from cds_service.audit import postgres_layout
from cds_service.audit.postgres_layout import VERSION
from cds_service.audit.postgres_rights import lacking
from cds_service.audit.postgres_session import SCHEMA, Connection, connect, reason
from cds_service.audit.state import State
from cds_service.errors import LogUnavailable

_OWNER = "run `cds-service prepare-log --for {}` as a role that may make tables there"
_NONE = "there is no audit log in this database"
_MAKES = "no log yet: serve makes it"


def state_of(url: str) -> State:
    """The database at `url`, as its role may use it."""
    try:
        with connect(url) as connection:
            connection.execute("SET default_transaction_read_only = on")
            return _state(connection)
    except psycopg.Error as error:
        return State(0, False, "", (f"the audit log cannot be opened: {reason(error)}",))
    except LogUnavailable as error:
        return State(0, False, "", (str(error),))


def _state(connection: Connection) -> State:
    role, may_make, is_there = _about(connection)
    mend = _OWNER.format(role)
    wrong: tuple[str, ...] = ()
    if not is_there:
        if not may_make:
            wrong = (f"{_NONE}, and the role {role} may not make it: {mend}",)
        return State(0, False, _MAKES, wrong)
    if lacks := lacking(connection):
        wrong = (f"the role {role} lacks {', '.join(lacks)}: {mend}",)
    if any(each.startswith("USAGE") or each == "SELECT on layout" for each in lacks):
        return State(0, False, "", wrong)
    layout = postgres_layout.layout(connection)
    if layout == 0:
        return State(0, False, "", (*wrong, f"the schema {SCHEMA} is there without a log in it"))
    readable = not any(each.startswith("SELECT") for each in lacks)
    wrong += _layout_faults(connection, layout, mend)
    told = f"layout {layout}"
    if layout < VERSION:
        told += f": serve, or prepare-log, brings it to layout {VERSION}"
    return State(layout, readable and layout <= VERSION, told, wrong)


def _about(connection: Connection) -> tuple[str, bool, bool]:
    """The role, whether it may make a schema, and whether that of the log is there."""
    query = (
        "SELECT current_user::text, has_database_privilege(current_database(), 'CREATE'),"
        " EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = %s)"
    )
    ((role, may_make, is_there),) = connection.execute(query, [SCHEMA]).fetchall()
    return role, may_make, is_there


def _layout_faults(connection: Connection, layout: int, mend: str) -> tuple[str, ...]:
    if layout > VERSION:
        told = f"the audit log has layout {layout}, this program writes layout {VERSION}"
        return (f"{told}: use the program that made it, or another database",)
    found: list[str] = []
    if layout < VERSION and not _may_migrate(connection):
        found.append(
            f"the audit log has layout {layout}, and this role may not bring it to layout "
            f"{VERSION}: {mend}"
        )
    try:
        postgres_layout.prove_whole(connection)
    except LogUnavailable as error:
        found.append(str(error))
    return tuple(found)


def _may_migrate(connection: Connection) -> bool:
    """Whether the role may make tables beside the others, and say which layout they are then."""
    query = (
        "SELECT has_schema_privilege(%s, 'CREATE') AND has_table_privilege('layout', 'INSERT')"
        " AND has_table_privilege('layout', 'DELETE')"
    )
    return connection.execute(query, [SCHEMA]).fetchone() == (True,)
