"""Run by the tests in a process of its own: processes that write to one log are killed, often.

Usage: killing.py PLACE TIMES SEED; PLACE is a file, or an address postgresql://... It has all
imported and forks the writers, so that a round takes little. Each line of its output is what one
writer had acknowledged: an index, and the size and root of the signed checkpoint that came with
it; or `opened` and the seconds it took.
"""

import asyncio
import os
import random
import select
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from cds_service.audit.checkpoint import open_checkpoint
from tests.audit.conftest import entry
from tests.logs import VERIFIER, open_any

WRITERS = 2
CLIENTS = 8


async def write(place: str, seed: int, out: int) -> None:
    """Append until killed, and tell what is acknowledged."""
    chance = random.Random(seed)
    began = time.monotonic()
    store = open_any(place)
    os.write(out, b"opened %.3f\n" % (time.monotonic() - began))

    async def client() -> None:
        while True:
            receipt = await store.append(entry(chance.randrange(10**9), 2_000))
            checkpoint = open_checkpoint(receipt.checkpoint, VERIFIER)
            told = f"{receipt.index} {checkpoint.size} {checkpoint.root.hex()}\n"
            os.write(out, told.encode())

    await asyncio.gather(*(client() for _ in range(CLIENTS)))


def forked(place: str, seed: int) -> tuple[int, int]:
    """A process that writes, and where it tells."""
    told, out = os.pipe()
    if pid := os.fork():
        os.close(out)
        return pid, told
    os.close(told)
    asyncio.run(write(place, seed, out))
    os._exit(1)


def until_acknowledged(told: int) -> bytes:
    """What a writer tells until its first entry is acknowledged; on a busy machine that is late."""
    said = b""
    while said.count(b"\n") < 2 and select.select([told], [], [], 20)[0]:
        said += os.read(told, 4096)
    return said


def round_of(place: str, chance: random.Random) -> None:
    """Two processes write and are killed at a random moment, also while they open the log."""
    writers = [forked(place, chance.randrange(10**9)) for _ in range(WRITERS)]
    at_work = chance.random() < 0.7  # else: perhaps not even open
    said = [until_acknowledged(told) if at_work else b"" for _, told in writers]
    time.sleep(chance.uniform(0, 0.08))
    for pid, _ in writers:
        os.kill(pid, signal.SIGKILL)
    for (pid, told), before in zip(writers, said, strict=True):
        with os.fdopen(told, "rb") as file:
            lines = (before + file.read()).splitlines(keepends=True)
        # A line cut short by the kill has no newline and was not acknowledged in full.
        os.write(1, b"".join(line for line in lines if line.endswith(b"\n")))
        if os.waitpid(pid, 0)[1] != signal.SIGKILL:
            sys.exit("a writer ended by itself")


if __name__ == "__main__":
    moments = random.Random(int(sys.argv[3]))
    for _ in range(int(sys.argv[2])):
        round_of(sys.argv[1], moments)
