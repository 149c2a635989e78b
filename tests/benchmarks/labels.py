"""`python -m tests.benchmarks.labels`: what a label costs, warm, for several papers and scripts.

CPU time is the median of some runs, each for another name so that nothing is taken from a memory.
"""

import argparse
import resource
import time
from statistics import median

from cds_service.label.compose import Whom
from cds_service.label.printing import Wanted, printed
from tests.label.labels import decision

ASKED = (("07", "a6"), ("07", "58mm"), ("01", "a6"), ("22", "a5"))
"""One liquid, on paper and strip; four labels of seven sheets; a leaflet of three."""


def main() -> None:
    """Print a line for each paper and language."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    runs: int = parser.parse_args().runs
    for story, paper in ASKED:
        for language in ("en", "ar", "hi"):
            wanted = Wanted("pdf", paper, language)
            printed(decision(story), wanted, Whom("Warm Up"))
            spent = [_timed(story, wanted, Whom(f"Wren {count}")) for count in range(runs)]
            cpu, wall = (1000 * median(each) for each in zip(*spent, strict=True))
            print(f"{story} {paper:>4} {language}: {cpu:5.1f} ms of CPU, {wall:5.1f} ms in all")
    print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB of memory at most")


def _timed(story: str, wanted: Wanted, whom: Whom) -> tuple[float, float]:
    cpu, wall = time.process_time(), time.perf_counter()
    printed(decision(story), wanted, whom)
    return time.process_time() - cpu, time.perf_counter() - wall


if __name__ == "__main__":
    main()
