"""Whatever the disk does, there is never an answer without an entry.

One small history of a log, as often as it writes or syncs, and each time that operation fails in
another way. What was acknowledged must be there afterwards and agree with its checkpoint; where
the machine was not switched off the log must go on by itself.
"""

import asyncio
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.record import Entry
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Receipt
from cds_service.errors import LogUnavailable
from tests.logs import VERIFIER, open_log

from .conftest import entry, erasure
from .faults import DEADLY, FULL, FULL_FOR, MODES, Disk, on

MOST = 400
"""More operations than the history has."""


@dataclass
class History:
    """What was acknowledged."""

    entries: dict[int, Entry] = field(default_factory=dict)
    kept: list[Checkpoint] = field(default_factory=list)
    erased: bool = False

    def acknowledged(self, receipt: Receipt, what: Entry) -> None:
        checkpoint = open_checkpoint(receipt.checkpoint, VERIFIER)
        assert receipt.index < checkpoint.size
        assert receipt.index not in self.entries
        self.entries[receipt.index] = what
        self.kept.append(checkpoint)


async def lived(path: Path, disk: Disk, history: History) -> bool:
    """Open a log, record, erase, record; False when it could not be opened."""
    try:
        store = open_log(path, wait=0.05)
    except LogUnavailable:
        return False
    for number in range(4):
        await tried(store, history, entry(number, 3_000))
    if history.entries:
        first = min(history.entries)
        try:
            receipt = await store.erase(first, erasure(first))
            assert receipt is not None
            history.acknowledged(receipt, erasure(first))
            history.erased = True
        except LogUnavailable:
            pass
    together = (tried(store, history, entry(number, 3_000)) for number in range(4, 8))
    await asyncio.gather(*together)
    if disk.at and not disk.off:
        for number in range(FULL_FOR):  # room again, sooner or later
            if await tried(store, history, entry(8 + number)):
                break
        else:
            assert disk.off, "it does not recover"
    await store.close()
    return True


async def tried(store: SqliteStore, history: History, what: Entry) -> bool:
    try:
        history.acknowledged(await store.append(what), what)
    except LogUnavailable:
        return False
    return True


def check(path: Path, history: History) -> None:
    """With a disk that works again, everything that was acknowledged is there."""

    async def look() -> None:
        store = open_log(path)
        found = await store.verify(history.kept)
        assert found.finding is None
        first = min(history.entries, default=None)
        for index, what in history.entries.items():
            logged = await store.get(index)
            assert logged is not None
            if index == first and logged.entry is None:
                assert found.erased == 1
            else:
                assert logged.entry == what
                assert not (index == first and history.erased)
        receipt = await store.append(entry(99))
        assert receipt.index == found.size
        await store.close()

    asyncio.run(look())


def played(path: Path, disk: Disk) -> History:
    history = History()
    with on(disk):
        opened = asyncio.run(lived(path, disk, history))
    disk.lose()
    with on(Disk()):
        check(path, history)
    assert opened or not history.entries
    return history


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("CRITICAL")


def test_the_history_is_whole_when_nothing_fails(tmp_path: Path) -> None:
    disk = Disk()
    history = played(tmp_path / "log.db", disk)

    assert len(history.entries) == 9
    assert history.erased
    assert 50 < disk.done < MOST


@pytest.mark.parametrize("mode", MODES)
def test_never_an_answer_without_an_entry(tmp_path: Path, mode: str) -> None:
    answered = []
    for at in range(1, MOST):
        disk = Disk(at, mode)
        history = played(tmp_path / f"{at}.db", disk)
        if disk.done < at:
            break
        answered.append(len(history.entries))
    # The fault is felt: somebody got no answer, and before it others had one.
    assert at < MOST
    assert min(answered) < 9 if mode in (*DEADLY, FULL) else answered
    assert max(answered) > 5
