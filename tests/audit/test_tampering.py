"""Whatever is changed in the database is found against the last checkpoint kept outside.

Two things cannot be found. Somebody who stole the signing key writes a whole log anew, and nobody
kept a checkpoint of the old one: the first test below shows it. And the hash of the
Idempotency-Key of an entry whose payload was erased: nothing says any more what it was.
"""

import asyncio
import os
import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.finding import Verification
from cds_service.audit.record import FEEDBACK
from cds_service.audit.seal import Encrypted, Plain, Sealer
from cds_service.audit.sqlite import SqliteStore, reader_of
from cds_service.audit.store import Store
from cds_service.audit.verify_log import verify_log
from tests.logs import VERIFIER, open_log

from .conftest import append_all, entry, erasure
from .tampering import TAMPERS, bit_flip, delete, disarm, rebuild, reorder, tampering, truncate

TIMES = int(os.environ.get("CDS_TEST_TAMPERINGS", "2000"))
SEALERS: dict[str, Sealer] = {"plain": Plain(), "encrypted": Encrypted([bytes(32)])}
SMALL, LARGE = 24, 530
Opened = Callable[..., SqliteStore]


async def made(store: Store, size: int) -> str:
    """A log with keys, feedback and erasures; its last checkpoint."""
    for number in range(0, size, 8):
        some = [replace(entry(at), patient=f"Patient/{at}") for at in range(number, number + 6)]
        some[1] = replace(some[1], key=f"key-{number}", classes=("pneumonia",), outcome="success")
        some[2] = replace(some[2], kind=FEEDBACK, about=number, outcome="accepted")
        for each in some:
            await store.append(each)
        await store.erase(number + 3, erasure(number + 3))
        await store.append(entry(number + 7))
    checkpoint = await store.checkpoint()
    await store.close()
    return checkpoint


@cache
def log_of(kind: str, size: int) -> tuple[sqlite3.Connection, Checkpoint]:
    """A log in memory without its triggers, and what its callers have of it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "log.db"
        checkpoint = asyncio.run(made(open_log(path, sealer=SEALERS[kind]), size))
        memory = sqlite3.connect(":memory:", isolation_level=None)
        with closing(sqlite3.connect(path)) as file:
            file.backup(memory)
    disarm(memory)
    return memory, open_checkpoint(checkpoint, VERIFIER)


def verified(kind: str, size: int, *kept: Checkpoint) -> Verification:
    return verify_log(reader_of(log_of(kind, size)[0], SEALERS[kind]), SEALERS[kind], kept)


@pytest.mark.parametrize("kind", SEALERS)
@pytest.mark.parametrize("size", [SMALL, LARGE])
def test_a_log_that_nobody_touched_is_whole(kind: str, size: int) -> None:
    checkpoint = log_of(kind, size)[1]
    found = verified(kind, size, checkpoint)

    assert found.finding is None
    assert (found.size, found.root, found.beyond) == (checkpoint.size, checkpoint.root, 0)
    assert found.erased == size // 8 + (size % 8 > 0)


@pytest.mark.parametrize("part", range(10))
def test_every_tampering_is_found(part: int) -> None:
    chance = random.Random(part)
    for number in range(TIMES // 10):
        kind = chance.choice(list(SEALERS))
        size = LARGE if number % 25 == 0 else SMALL
        log, checkpoint = log_of(kind, size)
        tamper = chance.choice(list(TAMPERS.values()))
        with tampering(log):
            what = tamper(log, chance)
            found = verified(kind, size, checkpoint)
        # An entry put behind all others is told as one that no checkpoint vouches for.
        assert found.finding is not None or found.beyond > 0, (part, number, what)


def test_what_cannot_be_found_is_a_log_written_anew_of_which_nobody_kept_a_checkpoint() -> None:
    log, checkpoint = log_of("plain", SMALL)
    with tampering(log):
        rebuild(log, random.Random(1))
        assert verified("plain", SMALL).finding is None
        assert verified("plain", SMALL).beyond == verified("plain", SMALL).size
        assert verified("plain", SMALL, checkpoint).finding is not None


def test_the_first_bad_position_is_named() -> None:
    log, checkpoint = log_of("plain", LARGE)
    with tampering(log):
        for at in (400, 100):
            log.execute("UPDATE payload SET response = x'00' WHERE position = ?", (at,))
        found = verified("plain", LARGE, checkpoint).finding
        assert found is not None
        assert (found.position, found.what) == (
            100,
            "the payload is not the one that the leaf commits to",
        )


@pytest.mark.parametrize("later", [310, 400, 529])
def test_a_forged_leaf_is_named_by_its_tile(later: int) -> None:
    log, checkpoint = log_of("plain", LARGE)
    with tampering(log):
        (leaf,) = log.execute("SELECT leaf FROM entry WHERE position = 300").fetchone()
        forged = leaf.replace(b'"content":"c', b'"content":"d')
        log.execute("UPDATE entry SET leaf = ? WHERE position = 300", (forged,))
        log.execute("UPDATE payload SET response = x'00' WHERE position = ?", (later,))
        found = verified("plain", LARGE, checkpoint).finding
        assert found is not None
        assert found.position == 300


def test_between_two_checkpoints_that_were_kept_the_place_is_known(tmp_path: Path) -> None:
    store = open_log(tmp_path / "log.db")
    notes = [append_all(store, [entry(number)])[0].checkpoint for number in range(40)]
    asyncio.run(store.close())
    kept = [open_checkpoint(note, VERIFIER) for note in notes]
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as log:
        disarm(log)
        (leaf,) = log.execute("SELECT leaf FROM entry WHERE position = 17").fetchone()
        forged = leaf.replace(b'"content":"c', b'"content":"d')
        log.execute("UPDATE entry SET leaf = ? WHERE position = 17", (forged,))
        found = verify_log(reader_of(log, Plain()), Plain(), kept).finding

    assert found is not None
    assert found.position == 17


def test_only_what_came_since_a_checkpoint_is_read(tmp_path: Path) -> None:
    store = open_log(tmp_path / "log.db")
    append_all(store, [entry(number) for number in range(300)])
    since = open_checkpoint(asyncio.run(store.checkpoint()), VERIFIER)
    append_all(store, [entry(number) for number in range(300, 600)])
    now = open_checkpoint(asyncio.run(store.checkpoint()), VERIFIER)
    told: list[tuple[int, int]] = []

    found = asyncio.run(
        store.verify([now], since=since, progress=lambda done, size: told.append((done, size)))
    )

    assert found.finding is None
    assert (found.size, found.root, found.beyond) == (600, now.root, 0)
    assert told == [(600, 600)]
    other = replace(since, root=bytes(32))
    wrong = asyncio.run(store.verify(since=other)).finding
    assert wrong is not None
    assert wrong.position == 0
    longer = asyncio.run(store.verify(since=replace(now, size=601))).finding
    assert longer is not None
    assert longer.position == 600
    asyncio.run(store.close())


def test_without_the_key_of_the_payloads_the_tree_can_be_verified() -> None:
    log, checkpoint = log_of("encrypted", SMALL)
    reader = reader_of(log, Plain())

    assert verify_log(reader, Plain(), [checkpoint], payloads=False).finding is None
    refused = verify_log(reader, Plain(), [checkpoint]).finding
    assert refused is not None
    assert "CDS_PAYLOAD_KEY_FILE" in refused.what
    with tampering(log):
        reorder(log, random.Random(3))
        truncate(log, random.Random(3))
        assert verify_log(reader, Plain(), [checkpoint], payloads=False).finding is not None


def test_a_bit_or_a_row_is_told_with_its_place() -> None:
    log, checkpoint = log_of("plain", SMALL)
    for tamper in (bit_flip, delete):
        with tampering(log):
            tamper(log, random.Random(5))
            found = verified("plain", SMALL, checkpoint).finding
            assert found is not None
            assert 0 <= found.position <= SMALL + 8
