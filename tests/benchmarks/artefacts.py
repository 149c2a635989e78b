"""`python -m tests.benchmarks.artefacts`: an artefact from memory, whole and not changed (304).

Beside a bare service that sends the same bytes, in the same rounds; the ratio counts, on whatever
machine. Exits with 1 when the goal is missed.
"""

import argparse
import tempfile
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from statistics import median

from tests.benchmarks import load, servers

PATH = "/fhir/CodeSystem/finding"
GOAL = 0.60
"""Of the floor, for both."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.artefacts")
    parser.add_argument("--seconds", type=float, default=2, help="of each run (default 2)")
    parser.add_argument("--rounds", type=int, default=5, help="the median counts (default 5)")
    parser.add_argument("--connections", type=int, default=32)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        folder = Path(scratch)
        ours = stack.enter_context(servers.running("cds-service", folder, PATH))
        with urllib.request.urlopen(ours.address) as answer:
            (folder / "response.json").write_bytes(answer.read())
            etag = str(answer.headers["etag"])
        floor = stack.enter_context(servers.running("constant", folder, PATH))
        print(f"{PATH}: {(folder / 'response.json').stat().st_size} bytes")
        missed = 0
        for name, known in (("whole", ""), ("304", etag)):
            missed += compared(name, known, floor, ours, asked) < GOAL
    return 1 if missed else 0


def compared(
    name: str, etag: str, floor: servers.Server, ours: servers.Server, asked: argparse.Namespace
) -> float:
    """Our rate as a share of the floor's; the median of the rounds."""
    shares, costs = [], []
    for _ in range(asked.rounds):
        rates = []
        for server in (floor, ours):
            before = server.cpu_seconds()
            found = load.get(server.address, etag, asked.connections, asked.seconds)
            if found.failed:
                raise SystemExit(f"{found.failed} requests failed")
            rates.append(found.rate)
            costs.append((server.cpu_seconds() - before) / found.requests * 1e6)
        shares.append(rates[1] / rates[0])
    share = median(shares)
    told = "reached" if share >= GOAL else "MISSED "
    each = " and ".join(f"{median(costs[at::2]):.0f}" for at in (0, 1))
    print(f"{told}  {name}: {share:.2f} of the floor, at least {GOAL}; {each} us of CPU a request")
    return share


if __name__ == "__main__":
    raise SystemExit(main())
