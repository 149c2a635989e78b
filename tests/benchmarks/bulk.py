"""`python -m tests.benchmarks.bulk`: `recommend --ndjson` beside the bare floor, and its memory.

Invented requests, all different (`many`), or the lines of --request. Told is the time of the
processor for a case, of all processes together, and so how many cases a core does in a second:

- floor: orjson.loads and orjson.dumps of the same lines, and nothing else;
- disk: to write as many bytes as the answers have to a file of --folder, and nothing else;
- frame: reading, handing over, ordering and writing (to nowhere), the answer always the same text;
- unrecorded, recorded: the command itself, without the time that a single case takes (the start).

Then the most memory of all its processes together (PSS) for 10,000 cases and for --cases-memory
(1,000,000 shows most: some 40 minutes and nothing on the disk). Exits with 1 when a goal is missed.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any, cast

import orjson
import psutil

from cds_service.cli.bulk.answering import Answering
from cds_service.cli.bulk.reading import LINES, Reader
from cds_service.cli.bulk.workers import Workers
from cds_service.cli.parallel import cores
from cds_service.service.lines import Said
from tests.benchmarks import many
from tests.benchmarks.__main__ import answer

GOAL_RATE = 8000
"""Cases a second and core, not recorded."""
GOAL_FRAME = 20
"""Microseconds."""
GOAL_GROWTH = 1.1
"""Memory for many cases, to memory for FEW: what is kept of the content is full by then."""
FEW = 10_000
_LOOK = 0.5
"""Seconds between two looks at the memory."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bulk", description=__doc__)
    parser.add_argument("--cases", type=int, default=FEW, help="to measure time (default 10000)")
    parser.add_argument("--cases-memory", type=int, default=4 * FEW, help="(default 40000)")
    parser.add_argument("--jobs", type=int, default=cores(), help="processes (default: every core)")
    parser.add_argument("--request", type=Path, help="a request to be asked in each line instead")
    parser.add_argument("--folder", type=Path, default=Path("build"), help="the disk of the log")
    asked = parser.parse_args()
    asked.folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=asked.folder.resolve()) as scratch:
        os.environ["CDS_DATABASE_URL"] = f"sqlite:///{scratch}/log.db"
        return compare(asked, Path(scratch))


def compare(asked: argparse.Namespace, folder: Path) -> int:
    path, said = folder / "asked.ndjson", folder / "said.ndjson"
    path.write_bytes(b"".join(cases(asked.request, asked.cases)))
    same = answer(next(cases(asked.request, 1)))
    size = path.stat().st_size / asked.cases
    print(
        f"{asked.cases} lines of {size:.0f} bytes, an answer of {len(same)}, {asked.jobs} processes"
    )
    times = {
        "floor": floor(path, asked.cases),
        "disk": disk(said, same, asked.cases),
        "frame": frame(path, same, asked),
        "unrecorded": command(path, said, asked, "--unrecorded"),
        "recorded": command(path, said, asked),
    }
    print("            CPU us/case  cases/s and core  of the floor")
    for name, took in times.items():
        print(f"{name:11} {took:11.1f} {1e6 / took:17,.0f} {times['floor'] / took:13.3f}")
    few = memory(asked, FEW)
    most = memory(asked, asked.cases_memory)
    rate, growth = 1e6 / times["unrecorded"], most / few
    goals = {
        f"unrecorded: {rate:,.0f} cases/s and core, at least {GOAL_RATE:,}": rate >= GOAL_RATE,
        f"frame: {times['frame']:.1f} us a case, at most {GOAL_FRAME}": times["frame"]
        <= GOAL_FRAME,
        f"memory: {most:.0f} MB to {few:.0f} MB, at most {GOAL_GROWTH}": growth <= GOAL_GROWTH,
    }
    for goal, reached in goals.items():
        print(f"{'reached' if reached else 'MISSED '}  {goal}")
    return 0 if all(goals.values()) else 1


def cases(request: Path | None, count: int) -> Iterator[bytes]:
    """So many lines."""
    if request is None:
        return many.lines(count)
    return repeat(orjson.dumps(orjson.loads(request.read_bytes())) + b"\n", count)


def floor(path: Path, count: int) -> float:
    """Microseconds to read the JSON of a line and write it again."""
    with path.open("rb") as file:
        began = time.process_time()
        for line in file:
            orjson.dumps(orjson.loads(line))
    return (time.process_time() - began) / count * 1e6


@dataclass(frozen=True)
class _Same:
    """Says the same to every line, without looking at it."""

    body: bytes
    longest: int = 1 << 20

    def said(self, line: bytes, place: str) -> Said:
        return Said(self.body, "success")


def disk(said: Path, body: bytes, count: int) -> float:
    """Microseconds to write an answer, many of them at once."""
    began = time.process_time()
    with said.open("wb", buffering=0) as file:
        for _ in range(count // LINES):
            file.write((body + b"\n") * LINES)
    return (time.process_time() - began) / count * 1e6


def frame(path: Path, body: bytes, asked: argparse.Namespace) -> float:
    """Microseconds of all processes for a line, when nothing is decided."""
    same, written, began = _Same(body), 0, _spent()
    workers = Workers(asked.jobs, Answering(cast(Any, same)), same.longest)
    try:
        with Path(os.devnull).open("wb", buffering=0) as file:
            for slot, _, reply in workers.replies(Reader([str(path)]).fill):
                written += file.write(memoryview(slot.said)[: reply.size])
    finally:
        workers.close()
    assert written == asked.cases * (len(body) + 1)
    return (_spent() - began) / asked.cases * 1e6


def _spent() -> float:
    of = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(sum(resource.getrusage(each)[:2]) for each in of)


def command(path: Path, said: Path, asked: argparse.Namespace, *options: str) -> float:
    """Microseconds of all processes of the command for a line, without its start."""
    one = path.with_name("one.ndjson")
    one.write_bytes(next(cases(asked.request, 1)))
    spent = []
    for file in (one, path):
        before = _spent()
        with said.open("wb") as out:
            subprocess.run(_words(asked.jobs, file, options), stdout=out, check=True)
        spent.append(_spent() - before)
    return (spent[1] - spent[0]) / (asked.cases - 1) * 1e6


def memory(asked: argparse.Namespace, count: int) -> float:
    """Megabytes of all processes of the command at their most; the lines come through a pipe."""
    command = _words(asked.jobs, "-", ["--unrecorded"])
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL) as process:
        assert process.stdin
        most = _fed(cases(asked.request, count), process)
        process.stdin.close()
    print(f"{count} cases: {most:.0f} MB")
    assert process.returncode == 0
    return most


def _fed(lines: Iterable[bytes], process: "subprocess.Popen[bytes]") -> float:
    assert process.stdin
    most, looked = 0.0, time.monotonic()
    for line in lines:
        process.stdin.write(line)
        if time.monotonic() - looked > _LOOK:
            most, looked = max(most, _megabytes(process.pid)), time.monotonic()
    return most


def _megabytes(pid: int) -> float:
    """What a process and its children have in memory, what they share counted once (Linux: PSS)."""
    family = [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]
    return sum(each.memory_full_info().pss for each in family) / 1e6


def _words(jobs: int, file: Path | str, options: Sequence[str]) -> list[str]:
    words = ["-m", "cds_service", "recommend", "--ndjson", str(file), "--jobs", str(jobs), *options]
    return [sys.executable, *words]


if __name__ == "__main__":
    raise SystemExit(main())
