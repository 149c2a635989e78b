"""The last checkpoint is kept in the database: another key, another log is not gone on with."""

import asyncio
import time
from collections.abc import Callable

import psycopg
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from cds_service.audit import witness
from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.note import Signer
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from cds_service.errors import LogUnavailable
from tests.logs import NAME, VERIFIER

from .conftest import append_all, entry

pytestmark = pytest.mark.postgresql
Connected = Callable[..., PostgresStore]
OWN = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
"""The key of `tests.logs`."""
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(32))


def filled(store: PostgresStore, first: int, last: int) -> None:
    append_all(store, [entry(number) for number in range(first, last)])
    asyncio.run(store.close())


def kept(database: str) -> list[tuple[int, str]]:
    with psycopg.connect(database) as connection:
        return connection.execute(f"SELECT size, note FROM {SCHEMA}.witness").fetchall()


def test_a_log_that_another_key_signed_is_not_gone_on_with(
    connected: Connected, database: str
) -> None:
    filled(connected(), 0, 3)

    for stranger in (Signer(NAME, [OTHER]), Signer("log.example/renamed", [OWN])):
        with pytest.raises(LogUnavailable, match="with another key or under another name") as told:
            PostgresStore(database, stranger)
        assert "log-key --rotate" in str(told.value)
        assert "cds_log.witness" in str(told.value)


def test_a_key_is_rotated_as_on_sqlite(connected: Connected, database: str) -> None:
    filled(connected(), 0, 3)

    # For a while both sign, also when nothing is recorded; then the new one alone.
    filled(PostgresStore(database, Signer(NAME, [OWN, OTHER])), 3, 3)
    filled(PostgresStore(database, Signer(NAME, [OTHER])), 3, 4)

    with pytest.raises(LogUnavailable, match="another key"):
        connected()


def test_a_log_that_was_cut_is_not_gone_on_with(connected: Connected, database: str) -> None:
    filled(connected(), 0, 5)
    with psycopg.connect(database) as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"DELETE FROM {SCHEMA}.entry WHERE position > 2")
        owner.execute(f"DELETE FROM {SCHEMA}.payload WHERE position > 2")

    with pytest.raises(LogUnavailable, match="has 3 entries, and 5 were signed for"):
        connected()


def test_there_is_one_checkpoint_that_covers_all_once_the_log_rests(
    connected: Connected, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(witness, "EVERY", 0.2)
    monkeypatch.setattr("cds_service.audit.writer.REST", 0.2)
    store = connected()
    for number in range(5):
        append_all(store, [entry(number)])
    until = time.monotonic() + 30
    while [size for size, _ in kept(database)] != [5] and time.monotonic() < until:
        time.sleep(0.05)

    ((size, note),) = kept(database)
    assert open_checkpoint(note, VERIFIER).size == size == 5


def test_a_replica_that_is_behind_replaces_nothing(connected: Connected, database: str) -> None:
    behind, ahead = connected(), connected()
    append_all(ahead, [entry(number) for number in range(4)])
    append_all(behind, [entry(4)])
    asyncio.run(behind.close())
    behind._witness.signed(asyncio.run(ahead.checkpoint()))
    asyncio.run(ahead.close())

    assert max(size for size, _ in kept(database)) == 5
    assert asyncio.run(connected().size()) == 5


def test_that_it_cannot_be_kept_does_no_harm(connected: Connected, database: str) -> None:
    store = connected()
    with psycopg.connect(database, autocommit=True) as owner:
        owner.execute(f"ALTER TABLE {SCHEMA}.witness RENAME TO hidden")
        receipts = [append_all(store, [entry(number)])[0] for number in range(3)]
        owner.execute(f"ALTER TABLE {SCHEMA}.hidden RENAME TO witness")
    asyncio.run(store.close())

    assert [receipt.index for receipt in receipts] == [0, 1, 2]
    assert asyncio.run(connected().size()) == 3
