"""The service's role may do what it needs and nothing else."""

import asyncio
from collections.abc import Callable, Iterator

import psycopg
import pytest

from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from cds_service.cli import main
from cds_service.errors import LogUnavailable
from tests.logs import open_database
from tests.postgresql.server import Server

from .conftest import append_all, entry, erasure

pytestmark = pytest.mark.postgresql
ROLE = "log_writer"


@pytest.fixture
def limited(postgresql: Server, database: str) -> Iterator[str]:
    """The address of the database for a role that owns nothing."""
    postgresql.run(f"CREATE ROLE {ROLE} LOGIN")
    yield postgresql.url("postgres", ROLE)
    postgresql.run(f"DROP OWNED BY {ROLE}", f"DROP ROLE {ROLE}")


@pytest.fixture
def prepared(limited: str, database: str, monkeypatch: pytest.MonkeyPatch) -> Callable[[], str]:
    def prepare() -> str:
        monkeypatch.setenv("CDS_DATABASE_URL", database)
        assert main(["prepare-log", "--for", ROLE]) == 0
        return limited

    return prepare


def test_a_role_that_may_not_make_tables_is_told_who_does(limited: str) -> None:
    with pytest.raises(LogUnavailable, match="cds-service prepare-log"):
        open_database(limited)


def test_with_its_rights_a_service_does_everything(prepared: Callable[[], str]) -> None:
    store = open_database(prepared())
    append_all(store, [entry(number) for number in range(260)])
    asyncio.run(store.ready())
    asyncio.run(store.erase(1, erasure(1)))

    assert asyncio.run(store.verify()).finding is None
    assert asyncio.run(store.size()) == 261
    asyncio.run(store.close())


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE entry SET caller = ''",
        "DELETE FROM entry",
        "TRUNCATE entry",
        "DELETE FROM tile",
        "UPDATE payload SET response = ''",
        "UPDATE layout SET version = 1",
        "ALTER TABLE entry DISABLE TRIGGER ALL",
        "DROP TRIGGER entry_in_order ON entry",
        "DROP TABLE entry",
        "SET session_replication_role = replica",
    ],
)
def test_without_more_rights_it_cannot_change_what_is_recorded(
    prepared: Callable[[], str], change: str
) -> None:
    url = prepared()
    store: PostgresStore = open_database(url)
    append_all(store, [entry()])
    asyncio.run(store.close())

    with psycopg.connect(url) as connection:
        connection.execute(f"SET search_path = {SCHEMA}")
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute(change.encode())


def test_to_prepare_twice_does_no_harm(prepared: Callable[[], str]) -> None:
    store = open_database(prepared())
    append_all(store, [entry()])
    asyncio.run(store.close())

    again = open_database(prepared())
    assert asyncio.run(again.size()) == 1
    asyncio.run(again.close())


def test_only_a_log_in_postgresql_is_prepared(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", "sqlite:///log.db")

    assert main(["prepare-log"]) == 1
    assert "PostgreSQL" in capsys.readouterr().err


def test_a_role_that_is_not_there_is_told(
    database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", database)

    assert main(["prepare-log", "--for", 'no"body']) == 1
    assert "does not exist" in capsys.readouterr().err
