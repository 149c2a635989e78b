"""kill -9 at any moment loses no acknowledged entry. (It says nothing of a power cut.)"""

import asyncio
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

from tests.logs import open_log

WRITING = Path(__file__).with_name("writing.py")
ROUNDS = 16
WRITERS = 2


def killed_while_writing(path: Path, moment: float) -> list[int]:
    """Two processes write to the one file; both are killed. The indexes they acknowledged."""
    writers = [
        subprocess.Popen([sys.executable, str(WRITING), str(path)], stdout=subprocess.PIPE)
        for _ in range(WRITERS)
    ]
    first = [writer.stdout.readline() for writer in writers if writer.stdout]  # both are at work
    time.sleep(moment)
    for writer in writers:
        writer.send_signal(signal.SIGKILL)
    output = [writer.communicate()[0] for writer in writers]
    assert [writer.returncode for writer in writers] == [-signal.SIGKILL] * WRITERS
    # A line cut short by the kill has no newline and was not acknowledged in full.
    return [
        int(line)
        for start, rest in zip(first, output, strict=True)
        for line in (start + rest).splitlines(keepends=True)
        if line.endswith(b"\n")
    ]


def test_no_acknowledged_entry_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    acknowledged: list[int] = []
    moments = random.Random(2)

    for _ in range(ROUNDS):
        acknowledged += killed_while_writing(path, moments.uniform(0, 0.05))

    with closing(sqlite3.connect(path)) as log:
        recorded = [row[0] for row in log.execute("SELECT position FROM entry ORDER BY 1")]
        assert log.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(acknowledged) == len(set(acknowledged)) >= ROUNDS * WRITERS
    assert set(acknowledged) <= set(recorded)
    assert recorded == list(range(len(recorded)))
    assert asyncio.run(all_intact(path, acknowledged[:: len(acknowledged) // 50 or 1]))


async def all_intact(path: Path, indexes: list[int]) -> bool:
    store = open_log(path)
    try:
        entries = [await store.get(index) for index in indexes]
    finally:
        await store.close()
    return all(logged and logged.entry and logged.entry.intact for logged in entries)
