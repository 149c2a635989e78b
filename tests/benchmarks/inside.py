"""Read, decide, write without HTTP and log: microseconds of each, median over many requests.

The steps are timed within whole requests, as a server makes them: a step repeated by itself
finds everything in the processor's cache and looks a quarter faster than it is.
"""

from datetime import UTC, datetime
from statistics import median
from time import perf_counter_ns

from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.fhir.read import read
from cds_service.fhir.write import write

BASE = "http://cds-service.example/fhir"


def measure(body: bytes, times: int = 2000) -> dict[str, float]:
    """Microseconds of each step for one request, and of all together."""
    protocol, now = load(), datetime.now(UTC)
    taken: dict[str, list[int]] = {"read": [], "decide": [], "write": [], "all": []}
    for _ in range(times):
        start = perf_counter_ns()
        case = read(body, protocol, now=now).case
        was_read = perf_counter_ns()
        decision = decide(case, protocol)
        decided = perf_counter_ns()
        write(decision, base=BASE, language="en")
        written = perf_counter_ns()
        taken["read"].append(was_read - start)
        taken["decide"].append(decided - was_read)
        taken["write"].append(written - decided)
        taken["all"].append(written - start)
    return {step: median(each) / 1000 for step, each in taken.items()}
