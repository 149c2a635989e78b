"""`python -m tests.benchmarks.starting`: from the start to ready, and the memory of one worker.

Memory is what the process has resident after its start and after load, shared pages included. Of
a start the time of the processor is told too: it says most when others use the machine. The
packages must be those of requirements.txt to count; the development ones bring in more. Exits with
1 when a goal is missed.
"""

import argparse
import tempfile
import time
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from urllib.parse import urlsplit

from tests.benchmarks import load, servers
from tests.benchmarks.__main__ import chosen, told
from tests.web.sample import PATH

GOAL_SECONDS = 2.0
GOAL_MEGABYTES = 120.0


@dataclass(frozen=True)
class Start:
    """Seconds until ready, seconds of the processor for it, megabytes when ready and after load."""

    ready: float
    cpu: float
    begun: float
    loaded: float


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.starting", description=__doc__
    )
    parser.add_argument("--seconds", type=float, default=5, help="of load (default 5)")
    parser.add_argument("--rounds", type=int, default=3, help="the median counts (default 3)")
    parser.add_argument("--connections", type=int, default=32)
    parser.add_argument("--folder", type=Path, default=Path("build"), help="the disk of the log")
    asked = parser.parse_args()
    asked.folder.mkdir(exist_ok=True)
    starts = [one(asked) for _ in range(asked.rounds)]
    print("ready s  CPU s  MB when ready  MB after load")
    for each in starts:
        print(f"{each.ready:7.2f}  {each.cpu:5.2f}  {each.begun:13.0f}  {each.loaded:13.0f}")
    ready, loaded = (median(getattr(each, name) for each in starts) for name in ("ready", "loaded"))
    print()
    return told(
        {
            f"from start to ready: {ready:.2f} s, below {GOAL_SECONDS:g}": ready < GOAL_SECONDS,
            f"resident after load: {loaded:.0f} MB, below {GOAL_MEGABYTES:g}": loaded
            < GOAL_MEGABYTES,
        }
    )


def one(asked: argparse.Namespace) -> Start:
    """Start the service with an empty log, wait until it is ready, and put load on it."""
    with tempfile.TemporaryDirectory(dir=asked.folder.resolve()) as scratch:
        folder = Path(scratch)
        request = folder / "request.json"
        request.write_bytes(chosen(None))
        began = time.perf_counter()
        with servers.running("cds-service", folder, PATH) as server:
            _until_ready(server.address)
            ready, cpu = time.perf_counter() - began, server.cpu_seconds()
            begun = megabytes(server)
            load.run(server.address, request, asked.connections, asked.seconds)
            return Start(ready, cpu, begun, megabytes(server))


def megabytes(server: servers.Server) -> float:
    """What the process has resident."""
    return float(server.process.memory_info().rss) / 1e6


def _until_ready(address: str) -> None:
    url = urlsplit(address)
    for _ in range(1000):
        try:
            with urllib.request.urlopen(f"{url.scheme}://{url.netloc}/health/ready"):
                return
        except urllib.error.URLError:
            time.sleep(0.01)
    raise SystemExit("the service was not ready in time")


if __name__ == "__main__":
    raise SystemExit(main())
