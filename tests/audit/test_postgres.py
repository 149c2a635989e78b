"""The PostgreSQL log: durable or refused, append-only, one for all replicas."""

import asyncio
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest

from cds_service.audit import postgres_session
from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from cds_service.audit.rows import EntryRow, PayloadRow
from cds_service.errors import LogUnavailable
from tests.logs import VERIFIER, open_database
from tests.postgresql.server import Server

from .conftest import append_all, entry, erasure

pytestmark = pytest.mark.postgresql
ENTRY = ", ".join(EntryRow._fields)
PAYLOAD = ", ".join(PayloadRow._fields)
Connected = Callable[..., PostgresStore]


def changed(database: str, *statements: str) -> None:
    """Run statements as the owner of everything."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(f"SET search_path = {SCHEMA}")
        for statement in statements:
            connection.execute(statement.encode())


def verified(store: PostgresStore) -> int:
    """The size of the log, once its last checkpoint vouches for all of it."""
    kept = open_checkpoint(asyncio.run(store.checkpoint()), VERIFIER)
    found = asyncio.run(store.verify([kept]))
    assert found.finding is None
    assert found.beyond == 0
    return found.size


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("fsync", "off"),
        ("full_page_writes", "off"),
        ("synchronous_commit", "off"),
        ("data_sync_retry", "on"),
    ],
)
def test_a_server_that_may_lose_what_it_acknowledged_is_refused(
    postgresql: Server, database: str, setting: str, value: str
) -> None:
    postgresql.restart(**{setting: value})
    try:
        with pytest.raises(LogUnavailable, match=f"{setting}={value}"):
            open_database(database)
    finally:
        postgresql.restart()


@pytest.mark.parametrize(
    ("whose", "remedy"),
    [
        ("ROLE postgres SET synchronous_commit = off", "ROLE postgres RESET synchronous_commit"),
        ("DATABASE postgres SET synchronous_commit = off", "DATABASE postgres RESET ALL"),
        (
            "ROLE postgres IN DATABASE postgres SET synchronous_commit = off",
            "ROLE postgres IN DATABASE postgres RESET ALL",
        ),
        ("DATABASE postgres SET default_transaction_read_only = on", "DATABASE postgres RESET ALL"),
    ],
)
def test_what_is_set_for_a_role_or_a_database_is_seen(
    postgresql: Server, database: str, whose: str, remedy: str
) -> None:
    postgresql.run(f"ALTER {whose}")
    try:
        with pytest.raises(LogUnavailable, match=r"synchronous_commit=off|read_only=on"):
            open_database(database)
    finally:
        postgresql.run("SET default_transaction_read_only = off", f"ALTER {remedy}")


def test_what_is_set_in_the_address_is_seen(database: str) -> None:
    with pytest.raises(LogUnavailable, match="synchronous_commit=off"):
        open_database(f"{database}&options=-csynchronous_commit%3Doff")


def test_what_is_switched_off_while_it_runs_stops_the_next_entry(
    postgresql: Server, connected: Connected
) -> None:
    store = connected()
    append_all(store, [entry()])
    # The server reads its settings again, also for sessions that are open.
    postgresql.run("ALTER SYSTEM SET full_page_writes = off", "SELECT pg_reload_conf()")
    try:
        postgresql.until("full_page_writes", "off")
        with pytest.raises(LogUnavailable):
            append_all(store, [entry(2)])
        with pytest.raises(LogUnavailable):
            asyncio.run(store.ready())
    finally:
        postgresql.run("ALTER SYSTEM RESET full_page_writes", "SELECT pg_reload_conf()")
        postgresql.until("full_page_writes", "on")

    assert append_all(store, [entry(3)])[0].index == 1


def test_a_database_of_another_encoding_is_refused(postgresql: Server) -> None:
    postgresql.run("CREATE DATABASE latin ENCODING 'LATIN1' TEMPLATE template0")
    try:
        with pytest.raises(LogUnavailable, match="LATIN1"):
            open_database(postgresql.url("latin"))
    finally:
        postgresql.run("DROP DATABASE latin")


def test_a_server_that_is_too_old_is_refused(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgres_session, "OLDEST", 990000)

    with pytest.raises(LogUnavailable, match="too old"):
        open_database(database)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE entry SET caller = 'x'",
        "DELETE FROM entry",
        "TRUNCATE entry",
        "UPDATE tile SET root = ''",
        "DELETE FROM tile",
        "TRUNCATE tile",
        "UPDATE payload SET response = ''",
        "TRUNCATE payload",
        f"INSERT INTO entry SELECT 9, {ENTRY} FROM entry WHERE position = 0",
        f"INSERT INTO entry SELECT -1, {ENTRY} FROM entry WHERE position = 0",
        f"INSERT INTO entry SELECT position + 4, {ENTRY} FROM entry WHERE position <> 1",
        f"INSERT INTO payload SELECT 1, {PAYLOAD} FROM payload WHERE position = 0",
    ],
)
def test_what_is_recorded_cannot_be_changed(
    connected: Connected, database: str, change: str
) -> None:
    store = connected()
    append_all(store, [entry(number) for number in range(3)])
    asyncio.run(store.erase(1, erasure(1)))

    with pytest.raises(psycopg.errors.IntegrityConstraintViolation, match="append-only"):
        changed(database, change)

    assert verified(store) == 4


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("ALTER TABLE entry DISABLE TRIGGER entry_never_changed", "triggers"),
        ("DROP TRIGGER tile_never_changed ON tile", "triggers"),
        ("ALTER TABLE payload SET UNLOGGED", "UNLOGGED"),
        ("UPDATE layout SET version = 9", "layout 9"),
    ],
)
def test_tables_that_do_not_protect_the_log_are_refused(
    connected: Connected, database: str, change: str, told: str
) -> None:
    connected()
    changed(database, change)

    with pytest.raises(LogUnavailable, match=told):
        open_database(database)


def test_a_schema_of_somebody_else_is_refused(database: str) -> None:
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {SCHEMA}")

    with pytest.raises(LogUnavailable, match="already exists"):
        open_database(database)


def test_two_processes_with_eight_threads_make_one_log(connected: Connected, database: str) -> None:
    script = Path(__file__).with_name("writing.py")
    others = [
        subprocess.Popen([sys.executable, str(script), database, "200"], stdout=subprocess.PIPE)
        for _ in range(2)
    ]
    stores = [connected() for _ in range(2)]

    def some(worker: int) -> list[int]:
        return [
            append_all(stores[worker % 2], [entry(1000 * worker + number)])[0].index
            for number in range(25)
        ]

    with ThreadPoolExecutor(8) as threads:
        mine = [index for found in threads.map(some, range(8)) for index in found]
    theirs = [int(line) for other in others for line in other.communicate()[0].split()]

    assert [other.returncode for other in others] == [0, 0]
    assert sorted(mine + theirs) == list(range(600))
    assert verified(stores[0]) == 600
    assert asyncio.run(stores[0].checkpoint()) == asyncio.run(stores[1].checkpoint())


def test_replicas_that_open_a_new_database_at_once_make_one_layout(database: str) -> None:
    with ThreadPoolExecutor(6) as threads:
        stores = list(threads.map(open_database, [database] * 6))

    indexes = [append_all(store, [entry()])[0].index for store in stores]
    for store in stores:
        asyncio.run(store.close())

    assert indexes == list(range(6))


def test_a_name_with_what_no_text_of_the_database_may_have(connected: Connected) -> None:
    store = connected()
    odd = replace(entry(), patient="Patient/7\0 ½ \u2028", classes=("a|b",))

    append_all(store, [odd, entry(2)])

    logged = asyncio.run(store.get(0))
    assert logged is not None
    assert logged.entry == odd
    assert verified(store) == 2


def test_no_detail_of_an_error_holds_a_value(database: str, connected: Connected) -> None:
    connected()
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("CREATE TABLE canary (name text CHECK (name <> 'Canary'))")
        try:
            with pytest.raises(psycopg.errors.CheckViolation) as refused:
                connection.execute("INSERT INTO canary VALUES ('Canary')")
        finally:
            connection.execute("DROP TABLE canary")

    assert "(Canary)" in str(refused.value)  # what must not get into a log
    assert "Canary" not in postgres_session.reason(refused.value)
    assert "check constraint" in postgres_session.reason(refused.value)


def test_bytes_of_every_kind_come_back_as_they_were(connected: Connected) -> None:
    store = connected()
    odd = bytes(range(256)) * 500
    put = replace(entry(), request=odd, response=odd[::-1])
    append_all(store, [put])

    logged = asyncio.run(store.get(0))
    assert logged is not None
    assert logged.payload is not None
    assert (logged.payload.request, logged.payload.response) == (odd, odd[::-1])


def test_entries_that_wait_together_share_a_commit(connected: Connected) -> None:
    store = connected()

    receipts = append_all(store, [entry(number) for number in range(500)])

    assert sorted(receipt.index for receipt in receipts) == list(range(500))
    assert store.commits <= 50


def test_readiness_records_nothing(connected: Connected) -> None:
    store = connected()
    for _ in range(3):
        asyncio.run(store.ready())

    assert asyncio.run(store.size()) == 0
    assert store.commits == 0
