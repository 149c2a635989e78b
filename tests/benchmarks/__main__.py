"""`python -m tests.benchmarks`: this service beside the bare floor and the usual way.

Absolute numbers depend on the machine and on what else it does; the ratios are the goals. All
three servers are measured in turn within each round. Exits with 1 when a goal is missed.
"""

import argparse
import tempfile
from collections import defaultdict
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.fhir.read import read
from cds_service.fhir.write import write
from tests.benchmarks import inside, servers
from tests.benchmarks import load as load_on
from tests.web.sample import PATH, body

NAMES = ("floor", "usual", "cds-service")
GOAL_OF_FLOOR = 0.25
GOAL_OF_USUAL = 25
GOAL_MICROSECONDS = 200
FEW = 8
"""Connections at which the slowest answers are looked at."""
GOAL_SLOWEST = 4
"""The most that p99 may be of p50."""


@dataclass(frozen=True)
class Run:
    """One measured run: microseconds, requests a second."""

    rate: float
    p50: float
    p99: float
    cpu: float
    failed: int


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--request", type=Path, help="default: the first of examples/, else ours")
    parser.add_argument("--seconds", type=float, default=3, help="of each run (default 3)")
    parser.add_argument("--rounds", type=int, default=3, help="the median counts (default 3)")
    parser.add_argument("--connections", type=int, nargs="+", default=[1, FEW, 32])
    parser.add_argument("--folder", type=Path, default=Path("build"), help="the disk of the log")
    asked = parser.parse_args()
    asked.folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=asked.folder.resolve()) as scratch:
        return compare(asked, Path(scratch))


def compare(asked: argparse.Namespace, folder: Path) -> int:
    request = folder / "request.json"
    request.write_bytes(chosen(asked.request))
    response = answer(request.read_bytes())
    (folder / "response.json").write_bytes(response)
    print(f"request {request.stat().st_size} bytes, answer {len(response)} bytes, log in {folder}")
    if load_on.WRK is None:
        print(
            "wrk is not installed (Debian: apt-get install wrk): the own client flatters (b), (c)"
        )
    steps = inside.measure(request.read_bytes())
    print("in process, us:", ", ".join(f"{name} {took:.0f}" for name, took in steps.items()))

    runs = measured(asked, folder, request)
    print("\nconnections  server       req/s   p50 us   p99 us  CPU us/req  failed")
    for (connections, name), found in runs.items():
        print(
            f"{connections:11}  {name:11} {found.rate:7.0f}  {found.p50:7.0f}  {found.p99:7.0f}  "
            f"{found.cpu:10.0f}  {found.failed:6}"
        )
    return verdict(runs, max(asked.connections), steps["all"])


def chosen(given: Path | None) -> bytes:
    """The request: the one given, else the first example, else the sample of the tests."""
    if given is not None:
        return given.read_bytes()
    examples = sorted(Path("examples").glob("*/request.json"))
    return examples[0].read_bytes() if examples else body()


def answer(request: bytes) -> bytes:
    """What this service answers: (a) and (b) give the same bytes."""
    protocol = load()
    case = read(request, protocol, now=datetime.now(UTC)).case
    return write(decide(case, protocol), base=inside.BASE, language="en")


def measured(asked: argparse.Namespace, folder: Path, request: Path) -> dict[tuple[int, str], Run]:
    """The median run of each server at each concurrency, the servers in turn."""
    runs: dict[tuple[int, str], list[Run]] = defaultdict(list)
    with ExitStack() as stack:
        started = [stack.enter_context(servers.running(name, folder, PATH)) for name in NAMES]
        for server in started:
            load_on.run(server.address, request, 8, 1)  # warm
        for _ in range(asked.rounds):
            for connections in asked.connections:
                for server in started:
                    before = server.cpu_seconds()
                    found = load_on.run(server.address, request, connections, asked.seconds)
                    cpu = (server.cpu_seconds() - before) / found.requests * 1e6
                    runs[connections, server.name].append(
                        Run(found.rate, found.p50, found.p99, cpu, found.failed)
                    )
    return {key: middle(several) for key, several in runs.items()}


def middle(several: list[Run]) -> Run:
    """The median of each figure; failures are added up."""
    return Run(
        *(median(getattr(run, name) for run in several) for name in ("rate", "p50", "p99", "cpu")),
        failed=sum(run.failed for run in several),
    )


def verdict(runs: dict[tuple[int, str], Run], connections: int, inner: float) -> int:
    ours = runs[connections, "cds-service"]
    of_floor = ours.rate / runs[connections, "floor"].rate
    of_usual = ours.rate / runs[connections, "usual"].rate
    failed = sum(run.failed for run in runs.values())
    goals = {
        f"(c)/(a) at {connections}: {of_floor:.3f}, at least {GOAL_OF_FLOOR}": of_floor
        >= GOAL_OF_FLOOR,
        f"(c)/(b) at {connections}: {of_usual:.1f}, at least {GOAL_OF_USUAL}": of_usual
        >= GOAL_OF_USUAL,
        f"read + decide + write: {inner:.0f} us, at most {GOAL_MICROSECONDS}": inner
        <= GOAL_MICROSECONDS,
        f"failed requests: {failed}, none": failed == 0,
    }
    if few := runs.get((FEW, "cds-service")):
        slowest = few.p99 / few.p50
        goals[f"p99 / p50 at {FEW}: {slowest:.1f}, at most {GOAL_SLOWEST}"] = (
            slowest <= GOAL_SLOWEST
        )
    print()
    return told(goals)


def told(goals: dict[str, bool]) -> int:
    """Print which goals are reached; the exit code: 1 when one is not."""
    for goal, reached in goals.items():
        print(f"{'reached' if reached else 'MISSED '}  {goal}")
    return 0 if all(goals.values()) else 1


if __name__ == "__main__":
    raise SystemExit(main())
