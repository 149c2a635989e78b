"""The tables of the log in PostgreSQL, and how a database is brought to the layout of now.

`entry` and `tile` are for ever, `payload` can be removed but never changed; triggers see to it,
also against the owner of the tables. A service needs no right but SELECT and INSERT, and DELETE
on `payload`, `trial`, `witness` and `used_token`.
"""

from collections.abc import Sequence
from typing import Any

import psycopg

from cds_service.audit.postgres_session import SCHEMA, Connection
from cds_service.errors import LogUnavailable

VERSION = 3
"""Version of the table layout. What holds the log is as in layout 2 of SQLite."""
SEQUENCER = int.from_bytes(b"cds-log", "big")
"""The advisory lock that whoever appends takes first."""
_MIGRATING = int.from_bytes(b"cds-lay", "big")
_TRIGGERS = 5
"""As many as the layout makes."""

_REFUSED = (
    "RAISE EXCEPTION 'the log is append-only' USING ERRCODE = 'integrity_constraint_violation'"
)


def _function(name: str, body: str) -> str:
    return (
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql"
        f" SET search_path = {SCHEMA}, pg_temp AS $$ BEGIN {body} END $$"
    )


_LAYOUT_2 = (
    f"CREATE SCHEMA {SCHEMA}",
    "CREATE TABLE layout (version integer NOT NULL)",
    """CREATE TABLE entry (
        position bigint PRIMARY KEY,
        kind text NOT NULL,
        leaf bytea NOT NULL,
        recorded text COLLATE "C" NOT NULL,
        tenant text NOT NULL,
        caller text NOT NULL,
        protocol text NOT NULL,
        about bigint,
        key_hash bytea
    )""",
    "CREATE UNIQUE INDEX entry_by_key ON entry (key_hash) WHERE key_hash IS NOT NULL",
    "CREATE INDEX entry_by_time ON entry (recorded)",
    "CREATE INDEX entry_by_about ON entry (about) WHERE about IS NOT NULL",
    # Erased rows are really removed by the next vacuum: it comes after a few, not after a fifth.
    """CREATE TABLE payload (
        position bigint PRIMARY KEY,
        patient text NOT NULL,
        decision text NOT NULL,
        outcome text NOT NULL,
        classes text NOT NULL,
        as_of text COLLATE "C" NOT NULL,
        wrapped_key bytea,
        salt bytea NOT NULL,
        rest bytea NOT NULL,
        request bytea NOT NULL,
        response bytea NOT NULL
    ) WITH (
        autovacuum_vacuum_scale_factor = 0, autovacuum_vacuum_threshold = 20,
        toast.autovacuum_vacuum_scale_factor = 0, toast.autovacuum_vacuum_threshold = 20
    )""",
    # A fifth of the processor time of the other kind, which is the default; not in every build.
    """DO $$ BEGIN
        ALTER TABLE payload ALTER COLUMN request SET COMPRESSION lz4;
        ALTER TABLE payload ALTER COLUMN response SET COMPRESSION lz4;
    EXCEPTION WHEN feature_not_supported OR syntax_error THEN NULL;
    END $$""",
    "CREATE INDEX payload_by_patient ON payload (patient) WHERE patient <> ''",
    "CREATE INDEX payload_by_decision ON payload (decision) WHERE decision <> ''",
    """CREATE TABLE tile (
        level integer,
        number bigint,
        hashes bytea NOT NULL,
        root bytea NOT NULL,
        PRIMARY KEY (level, number)
    )""",
    "CREATE TABLE trial (filling bytea)",
    _function("refuse", f"{_REFUSED};"),
    # The rows of one statement go behind what is there, without a gap.
    _function(
        "in_order",
        f"""IF (SELECT max(position) - min(position) + 1 <> count(*) FROM incoming)
            OR (SELECT min(position) FROM incoming) <> coalesce((
                SELECT max(position) + 1 FROM entry
                WHERE position < (SELECT min(position) FROM incoming)), 0)
            OR (SELECT max(position) FROM incoming) <> (SELECT max(position) FROM entry)
        THEN {_REFUSED}; END IF; RETURN NULL;""",  # noqa: S608 - no value in it
    ),
    # A payload comes with its entry, in one transaction: none is put where one was erased.
    _function(
        "with_entry",
        f"""IF NOT EXISTS (SELECT 1 FROM entry WHERE position = NEW.position
            AND xmin = pg_current_xact_id()::xid)
        THEN {_REFUSED}; END IF; RETURN NULL;""",  # noqa: S608 - no value in it
    ),
    *(
        f"CREATE TRIGGER {table}_never_changed BEFORE {events} ON {table}"
        " FOR EACH STATEMENT EXECUTE FUNCTION refuse()"
        for table, events in (
            ("entry", "UPDATE OR DELETE OR TRUNCATE"),
            ("tile", "UPDATE OR DELETE OR TRUNCATE"),
            ("payload", "UPDATE OR TRUNCATE"),
        )
    ),
    """CREATE TRIGGER entry_in_order AFTER INSERT ON entry REFERENCING NEW TABLE AS incoming
        FOR EACH STATEMENT EXECUTE FUNCTION in_order()""",
    """CREATE TRIGGER payload_with_entry AFTER INSERT ON payload
        FOR EACH ROW EXECUTE FUNCTION with_entry()""",
)
_LAYOUT_3 = (
    # The last checkpoint that was signed, see `witness`. For a moment there may be one of each
    # replica.
    "CREATE TABLE witness (size bigint NOT NULL, note text NOT NULL)",
    # Of tokens, so that each counts once on every replica: `access.seen_postgres`.
    "CREATE TABLE used_token (mark bytea PRIMARY KEY, until bigint NOT NULL)",
)
MIGRATIONS: dict[int, Sequence[str]] = {2: _LAYOUT_2, 3: _LAYOUT_3}
"""What brings a database from the layout before to that of the number."""


def prepare(connection: Connection) -> None:
    """Make the tables or bring them to the layout of now, and prove that they are as they must be.

    Only then is a right to make tables needed. Raises LogUnavailable or psycopg.Error.
    """
    version = layout(connection)
    if version < VERSION:
        version = _migrate(connection)
    if version > VERSION:
        raise LogUnavailable(
            f"the audit log has layout {version}, this program writes layout {VERSION}: "
            "use the program that made it, or another database"
        )
    prove_whole(connection)


def _migrate(connection: Connection) -> int:
    """One transaction for all steps; replicas that start together wait for the first."""
    try:
        with connection.transaction():
            connection.execute("SET LOCAL lock_timeout = '10min'; SET LOCAL statement_timeout = 0")
            connection.execute(f"SELECT pg_advisory_xact_lock({_MIGRATING})")
            version = layout(connection)
            for step in range(version + 1, VERSION + 1):
                for statement in MIGRATIONS.get(step, ()):
                    connection.execute(statement.encode())
            if version < VERSION:
                connection.execute("DELETE FROM layout")
                connection.execute("INSERT INTO layout VALUES (%s)", [VERSION])
            return max(version, VERSION)
    except psycopg.errors.InsufficientPrivilege as error:
        raise LogUnavailable(
            "the audit log's tables are not there, or of an earlier layout, and this role may not "
            "make them: run `cds-service prepare-log` once as a role that may"
        ) from error


def layout(connection: Connection) -> int:
    """The version of the tables that are there, 0 for none.

    The catalogue itself is asked: what is kept of it by name (`to_regclass`) may be from before
    the wait for the lock.
    """
    query = (
        "SELECT count(*) FROM pg_class JOIN pg_namespace ON pg_namespace.oid = relnamespace"
        " WHERE relname = 'layout' AND nspname = %s"
    )
    (there,) = _one(connection, query, SCHEMA)
    return int(_one(connection, "SELECT max(version) FROM layout")[0]) if there else 0


def prove_whole(connection: Connection) -> None:
    """Raise LogUnavailable when a table would be emptied by a crash, or a trigger is off."""
    (lost,) = _one(
        connection,
        "SELECT count(*) FROM pg_class WHERE relpersistence <> 'p'"
        " AND relnamespace = current_schema()::regnamespace",
    )
    (active,) = _one(
        connection,
        "SELECT count(*) FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid"
        " WHERE relnamespace = current_schema()::regnamespace AND NOT tgisinternal"
        " AND tgenabled IN ('O', 'A') AND current_setting('session_replication_role') <> 'replica'",
    )
    if lost:
        raise LogUnavailable("tables of the audit log are UNLOGGED: a crash would empty them")
    if active != _TRIGGERS:
        raise LogUnavailable("triggers of the audit log are missing or disabled: verify the log")


def _one(connection: Connection, query: str, *values: str) -> tuple[Any, ...]:
    row = connection.execute(query.encode(), values or None).fetchone()
    assert row is not None  # noqa: S101 - each of these queries gives one row
    return row
