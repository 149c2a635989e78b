"""`python -m tests.soak`: the real service for a while under mixed load, restarted again and again.

Two replicas on one log answer requests of every kind at a steady rate: good and bad ones, batches,
labels, feedback, what auditors read. From time to time both are restarted, one after the other.
Their memory is looked at each second. At the end the whole log is read: everything that was
acknowledged is there and proves, and nothing but told refusals was answered. Prints a table; exits
with 1 when anything is not as it must be.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.soak.judging import judged, table
from tests.soak.running import Plan, soaked
from tests.soak.verifying import verified


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--store", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--rate", type=float, default=20, help="requests a second (default 20)")
    parser.add_argument(
        "--restart-every", type=float, metavar="SECONDS",
        help="(default: 15 %% of the time, at least 5: 90 of 10 minutes)",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    seconds = asked.minutes * 60
    plan = Plan(seconds, asked.rate, asked.restart_every or max(5, 0.15 * seconds), asked.seed)
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        observed = soaked(plan, asked.store, Path(folder), verified)
    verdicts = judged(observed)
    print(table(observed, verdicts))
    return 0 if all(each.good for each in verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
