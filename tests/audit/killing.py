"""Run by the tests in a process of its own: processes that write to one log are killed, often.

Usage: killing.py PLACE TIMES SEED [erasing]; PLACE is a file, or an address postgresql://... It
has all imported and forks the writers, so that a round takes little. Each line of its output is
what one writer had acknowledged: an index, and the size and root of the signed checkpoint that came
with it; or `opened` and the seconds it took. With `erasing` each entry gets feedback and is then
erased with it, as the service does: `erased` and the index.
"""

import asyncio
import os
import random
import select
import signal
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.record import FEEDBACK, Entry
from cds_service.content.library import Library
from cds_service.service import Service
from tests.audit.conftest import entry
from tests.logs import VERIFIER, open_any

WRITERS = 2
CLIENTS = 8


async def write(place: str, seed: int, out: int, service: Service | None) -> None:
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
            if service is not None:
                await store.append(feedback(receipt.index))
                await service.erase(receipt.index, "asked for")
                os.write(out, f"erased {receipt.index}\n".encode())

    if service is not None:
        service.store = store
    await asyncio.gather(*(client() for _ in range(CLIENTS)))


def feedback(about: int) -> Entry:
    """What names the same infant as the entry."""
    return replace(entry(about), kind=FEEDBACK, about=about, patient=f"Patient/{about}")


def erasing_service() -> Service:
    """It erases as the real one does; its store is opened by each writer."""
    protocol = Library().named("sick-young-infant|2024.1")
    return Service(protocol, None, base="http://x.example/fhir", code_version="test")  # type: ignore[arg-type]


def forked(place: str, seed: int, service: Service | None) -> tuple[int, int]:
    """A process that writes, and where it tells."""
    told, out = os.pipe()
    if pid := os.fork():
        os.close(out)
        return pid, told
    os.close(told)
    asyncio.run(write(place, seed, out, service))
    os._exit(1)


def until_acknowledged(told: int) -> bytes:
    """What a writer tells until its first entry is acknowledged; on a busy machine that is late."""
    said = b""
    while said.count(b"\n") < 2 and select.select([told], [], [], 20)[0]:
        said += os.read(told, 4096)
    return said


def round_of(place: str, chance: random.Random, service: Service | None) -> None:
    """Two processes write and are killed at a random moment, also while they open the log."""
    writers = [forked(place, chance.randrange(10**9), service) for _ in range(WRITERS)]
    at_work = chance.random() < 0.7  # else: perhaps not even open
    said = [until_acknowledged(told) if at_work else b"" for _, told in writers]
    time.sleep(
        chance.uniform(0, 0.08 if service is None else 0.4)
    )  # an erasure takes three commits
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
    eraser = erasing_service() if sys.argv[4:] == ["erasing"] else None
    for _ in range(int(sys.argv[2])):
        round_of(sys.argv[1], moments, eraser)
