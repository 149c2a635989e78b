"""`python -m tests.benchmarks.stores`: durable answers on SQLite and PostgreSQL, 1 and 2 workers.

Each worker is a process on a port of its own, with its share of the connections; those of one
store write to one log. The bare floor, with as many workers, is measured in the same rounds: the
ratio to it is what counts, on whatever machine. PostgreSQL is a private server on the same disk,
fsync on; it takes its part of the same processors. The time of the processors for one answer is
told too, with that of the database: it says most when others use the machine. Two workers need two
cores beside those of the database and of the client. Exits with 1 when a goal is missed.
"""

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import psutil

from cds_service.audit.keys import make_key
from tests.benchmarks import load, servers
from tests.benchmarks.__main__ import answer, chosen, told
from tests.postgresql.server import Server as Database
from tests.postgresql.server import running as database
from tests.web.sample import PATH

GOAL = 0.20
"""Of the floor, with one worker and the most connections, on each store."""
GOAL_OF_TWO = 1.7
"""Two workers to one, on PostgreSQL."""
NAMES = ("floor", "sqlite", "postgresql")
WORKERS = (1, 2)


@dataclass(frozen=True)
class Run:
    """Answers a second, and microseconds of processor time for one: of the workers, and of all."""

    rate: float
    workers: float
    total: float


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.stores", description=__doc__)
    parser.add_argument("--seconds", type=float, default=3, help="of each run (default 3)")
    parser.add_argument("--rounds", type=int, default=3, help="the median counts (default 3)")
    parser.add_argument("--connections", type=int, nargs="+", default=[2, 32])
    parser.add_argument("--folder", type=Path, default=Path("build"), help="the disk of the logs")
    asked = parser.parse_args()
    asked.folder.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory(dir=asked.folder.resolve()) as scratch,
        database(shared_buffers="128MB", max_wal_size="2GB") as postgresql,
    ):
        return compare(asked, Path(scratch), postgresql)


def compare(asked: argparse.Namespace, folder: Path, postgresql: Database) -> int:
    (folder / "request.json").write_bytes(chosen(None))
    (folder / "response.json").write_bytes(answer(chosen(None)))
    make_key(folder / "log.key")
    runs: dict[tuple[int, int, str], list[Run]] = defaultdict(list)
    with ExitStack() as stack:
        groups = {
            (workers, name): stack.enter_context(group(name, workers, folder, postgresql))
            for workers in WORKERS
            for name in NAMES
        }
        for started in groups.values():
            together(started, folder, 8, 1)  # warm
        for _ in range(asked.rounds):
            for connections in asked.connections:
                for (workers, name), started in groups.items():
                    run = measured(started, folder, connections, asked.seconds, postgresql)
                    runs[connections, workers, name].append(run)
    return verdict({key: middle(several) for key, several in runs.items()})


def middle(several: list[Run]) -> Run:
    """The median of each figure."""
    return Run(*(median(getattr(run, name) for run in several) for name in Run.__annotations__))


def measured(
    started: list[servers.Server],
    folder: Path,
    connections: int,
    seconds: float,
    postgresql: Database,
) -> Run:
    """One run of one store, with the time that it took of the processors."""

    def used() -> tuple[float, float]:
        own = sum(server.cpu_seconds() for server in started)
        return own, own + of_database(postgresql)

    before = used()
    requests, rate = together(started, folder, connections, seconds)
    workers, total = (
        (after - begun) / requests * 1e6 for after, begun in zip(used(), before, strict=True)
    )
    return Run(rate, workers, total)


def of_database(postgresql: Database) -> float:
    """Seconds of the processors that its processes took so far."""
    taken = 0.0
    for process in psutil.Process(postgresql.pid).children():
        times = process.cpu_times()
        taken += times.user + times.system
    return taken


@contextmanager
def group(
    name: str, workers: int, folder: Path, postgresql: Database
) -> Iterator[list[servers.Server]]:
    """So many workers with one log."""
    url = postgresql.new_database() if name == "postgresql" else ""
    environment = {
        "CDS_DATABASE_URL": url or f"sqlite:///{folder / f'log-{workers}.db'}",
        "CDS_LOG_KEY_FILE": str(folder / "log.key"),
    }
    server = "floor" if name == "floor" else "cds-service"
    with ExitStack() as stack:
        yield [
            stack.enter_context(servers.running(server, folder, PATH, environment))
            for _ in range(workers)
        ]


def together(
    started: list[servers.Server], folder: Path, connections: int, seconds: float
) -> tuple[int, float]:
    """Answers of all workers, and in a second; raises RuntimeError when one was refused."""
    share = max(1, connections // len(started))
    with ThreadPoolExecutor(len(started)) as threads:
        runs = [
            threads.submit(load.run, server.address, folder / "request.json", share, seconds)
            for server in started
        ]
        found = [run.result() for run in runs]
    if failed := sum(each.failed for each in found):
        raise RuntimeError(f"{failed} requests failed")
    return sum(each.requests for each in found), sum(each.rate for each in found)


def verdict(runs: dict[tuple[int, int, str], Run]) -> int:
    print("connections  workers  store        req/s  of the floor  CPU us/req  with database")
    for (connections, workers, name), run in runs.items():
        share = run.rate / runs[connections, workers, "floor"].rate
        print(
            f"{connections:11}  {workers:7}  {name:11} {run.rate:6.0f}  {share:12.3f}  "
            f"{run.workers:10.0f}  {run.total:13.0f}"
        )
    most = max(connections for connections, _, _ in runs)
    shares = {name: runs[most, 1, name].rate / runs[most, 1, "floor"].rate for name in NAMES[1:]}
    goals = {
        f"{name} with one worker at {most}: {share:.3f} of the floor, at least {GOAL}": share
        >= GOAL
        for name, share in shares.items()
    }
    two = runs[most, 2, "postgresql"].rate / runs[most, 1, "postgresql"].rate
    floor = runs[most, 2, "floor"].rate / runs[most, 1, "floor"].rate
    what = f"two workers on PostgreSQL: {two:.2f} times one (the floor: {floor:.2f})"
    return told(goals | {f"{what}, at least {GOAL_OF_TWO}": two >= GOAL_OF_TWO})


if __name__ == "__main__":
    raise SystemExit(main())
