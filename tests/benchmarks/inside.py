"""Read, decide, write without HTTP and log: microseconds each, median over many."""

from collections.abc import Callable
from datetime import UTC, datetime
from statistics import median
from time import perf_counter_ns
from typing import Any

from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.fhir.read import read
from cds_service.fhir.write import write

BASE = "http://cds-service.example/fhir"


def measure(body: bytes, times: int = 2000) -> dict[str, float]:
    """Microseconds of each step for one request."""
    protocol, now = load(), datetime.now(UTC)
    case = read(body, protocol, now=now).case
    decision = decide(case, protocol)
    steps: dict[str, Callable[[], Any]] = {
        "read": lambda: read(body, protocol, now=now),
        "decide": lambda: decide(case, protocol),
        "write": lambda: write(decision, base=BASE, language="en"),
    }
    return {name: _median(step, times) for name, step in steps.items()}


def _median(step: Callable[[], Any], times: int) -> float:
    taken = []
    for _ in range(times):
        start = perf_counter_ns()
        step()
        taken.append(perf_counter_ns() - start)
    return median(taken) / 1000
