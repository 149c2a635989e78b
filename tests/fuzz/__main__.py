"""`python -m tests.fuzz`: hostile requests, made by Hypothesis, over the real application.

Each is answered or refused in FHIR: no fault (5xx), no refusal without an OperationOutcome, and a
word planted in every name and id is in no line of the log, no measurement, no header and no
refusal. One of sixteen plans is judged as a whole. Ends with 1 at the first that is not so, and
shows the smallest like it that Hypothesis found.
"""

import argparse
import asyncio
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings

from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.service import Service
from tests.fuzz.mutating import Case, cases
from tests.fuzz.watching import Watch
from tests.logs import open_log
from tests.security.asking import Asking

PART = 1_000
"""Cases on one log, which is then thrown away: a million would fill a disk."""
BASE = "http://cds-service.example/fhir"


@contextmanager
def watching(protocol: Protocol) -> Iterator[Watch]:
    """An application with a log of its own."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        store = open_log(Path(folder) / "log.db")
        service = Service(protocol, store, base=BASE, code_version="fuzz")
        try:
            yield Watch(Asking.of(service))
        finally:
            asyncio.run(store.close())


def fuzzed(watch: Watch, number: int, begin: int) -> None:
    """Ask so many requests, chosen by `begin`. Raises Wrong, or what the application raises."""

    @seed(begin)
    @settings(
        max_examples=number, database=None, deadline=None, suppress_health_check=list(HealthCheck)
    )
    @given(cases())
    def each(case: Case) -> None:
        watch(case)

    each()
    watch.measurements()


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--cases", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    protocol = load()
    told: Counter[int] = Counter()
    slowest, began = 0.0, time.monotonic()
    for part in range(0, asked.cases, PART):
        with watching(protocol) as watch:
            fuzzed(watch, min(PART, asked.cases - part), asked.seed * 1_000_003 + part)
            told += watch.told
            slowest = max(slowest, watch.slowest)
        if told.total() % (10 * PART) == 0:
            print(f"{told.total()} cases, all as they must be", file=sys.stderr, flush=True)
    statuses = ", ".join(f"{count} of {status}" for status, count in sorted(told.items()))
    took = time.monotonic() - began
    print(f"{told.total()} cases in {took:.0f} s: {statuses}")
    print(f"the slowest took {slowest:.2f} s of the processor")
    return 0


if __name__ == "__main__":
    sys.exit(main())
