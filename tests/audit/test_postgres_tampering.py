"""What the owner of the database changes in the rows is found by a checkpoint kept outside."""

import asyncio
from collections.abc import Callable
from dataclasses import replace

import psycopg
import pytest

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA
from cds_service.audit.rows import EntryRow, PayloadRow
from cds_service.audit.seal import Encrypted, Plain, Sealer
from tests.logs import VERIFIER

from .conftest import append_all, entry, erasure

pytestmark = pytest.mark.postgresql
Connected = Callable[..., PostgresStore]
SIZE = 600
PAYLOAD = ", ".join(PayloadRow._fields)
FORGED = "set_byte(%s, 20, get_byte(%s, 20) # 1)"  # one bit of a value


def flipped(table: str, column: str, at: int) -> str:
    value = FORGED % (column, column)
    return f"UPDATE {table} SET {column} = {value} WHERE position = {at}"


def moved(table: str, columns: tuple[str, ...]) -> str:
    """Exchange all of two rows but their positions."""
    names = ", ".join(columns)
    return (
        f"UPDATE {table} AS here SET ({names}) = (SELECT {names} FROM {table} AS there"
        " WHERE there.position = 500 - here.position) WHERE position IN (200, 300)"
    )


TAMPERINGS = {
    "a bit of a leaf": ([flipped("entry", "leaf", 200)], 200),
    "a bit of an answer": ([flipped("payload", "response", 300)], 300),
    "a bit of a request": ([flipped("payload", "request", 300)], 300),
    "a bit of a salt": ([flipped("payload", "salt", 300)], 300),
    "a column beside the leaf": (["UPDATE entry SET caller = 'x' WHERE position = 9"], 9),
    "a column beside the payload": (["UPDATE payload SET outcome = 'x' WHERE position = 9"], 9),
    "a payload removed": (["DELETE FROM payload WHERE position = 555"], 555),
    "an entry removed": (["DELETE FROM entry WHERE position = 555"], 555),
    "the last entries removed": (
        [f"DELETE FROM {table} WHERE position >= 590" for table in ("payload", "entry")],
        1,  # with the last one went what told of its erasure
    ),
    "all removed": ([f"DELETE FROM {table}" for table in ("payload", "entry", "tile")], 0),
    "two payloads exchanged": ([moved("payload", PayloadRow._fields)], 200),
    "two entries exchanged": (
        [
            "UPDATE entry SET key_hash = NULL",
            moved("entry", EntryRow._fields),
            moved("payload", PayloadRow._fields),
        ],
        200,
    ),
    "a tile's hash": (
        ["UPDATE tile SET hashes = set_byte(hashes, 32 * 7, 1) WHERE number = 1"],
        263,
    ),
    "a tile removed": (["DELETE FROM tile WHERE number = 1"], 256),
    "an erasure undone": (
        [f"INSERT INTO payload SELECT 1, {PAYLOAD} FROM payload WHERE position = 2"],
        1,
    ),
}


def tampered(database: str, *statements: str) -> None:
    with psycopg.connect(database) as owner:
        owner.execute(f"SET search_path = {SCHEMA}; SET session_replication_role = replica")
        for statement in statements:
            assert owner.execute(statement.encode()).rowcount


@pytest.mark.parametrize("what", TAMPERINGS)
@pytest.mark.parametrize("sealer", [Plain(), Encrypted([bytes(32)])], ids=["plain", "encrypted"])
def test_what_was_changed_is_found_and_where(
    connected: Connected, database: str, sealer: Sealer, what: str
) -> None:
    store = connected(sealer=sealer)
    append_all(store, [replace(entry(at), patient=f"Patient/{at}") for at in range(SIZE - 1)])
    asyncio.run(store.erase(1, erasure(1)))
    kept = open_checkpoint(asyncio.run(store.checkpoint()), VERIFIER)
    whole = asyncio.run(store.verify([kept]))
    assert (whole.size, whole.finding) == (SIZE, None)

    statements, position = TAMPERINGS[what]
    tampered(database, *statements)

    finding = asyncio.run(store.verify([kept])).finding
    assert finding is not None
    assert finding.position == position
