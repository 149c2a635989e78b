"""kill -9 at any moment loses no acknowledged entry. (It says nothing of a power cut.)

A thousand times and more: CDS_TEST_KILLS=1000.
"""

import asyncio
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from cds_service.audit.checkpoint import Checkpoint
from tests.logs import NAME, open_log

KILLING = Path(__file__).with_name("killing.py")
KILLS = int(os.environ.get("CDS_TEST_KILLS", "100"))
SEED = 2


def killed_while_writing(path: Path) -> tuple[list[int], list[Checkpoint], list[float]]:
    """What was acknowledged: indexes and checkpoints; and how long each opening took."""
    command = [sys.executable, str(KILLING), str(path), str(KILLS // 2), str(SEED)]
    output = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True).stdout
    words = [line.split() for line in output.splitlines()]
    opened = [float(line[1]) for line in words if line[0] == "opened"]
    answers = [line for line in words if line[0] != "opened"]
    kept = {(int(size), root) for _, size, root in answers}
    checkpoints = [Checkpoint(NAME, size, bytes.fromhex(root)) for size, root in kept]
    return [int(line[0]) for line in answers], checkpoints, opened


def test_no_acknowledged_entry_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "log.db"

    acknowledged, kept, opened = killed_while_writing(path)

    with closing(sqlite3.connect(path)) as log:
        recorded = [row[0] for row in log.execute("SELECT position FROM entry ORDER BY 1")]
        assert log.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(acknowledged) == len(set(acknowledged)) >= KILLS
    assert set(acknowledged) <= set(recorded)
    assert recorded == list(range(len(recorded)))
    assert max(opened) < 3
    store = open_log(path)
    found = asyncio.run(store.verify(kept))  # every checkpoint that anybody ever got
    asyncio.run(store.close())
    assert found.finding is None
    assert found.size == len(recorded)
