"""The classification tables, written once more as CQL from the clinical text, against the engine.

    (cd tests/cql && npm ci)
    nice python -m tests.cql [--random 100000] [--edges-share 1] [--seed 1] [--show 3]

First every boundary case (values at and beside every limit, every answer of every two signs), or
a share of them at random, then so many random infants. PyPI `ms-cql-sdk` translates, npm
`cql-execution` evaluates. Exit code 1 when there is a difference, 2 when the other engine cannot
be run.
"""

import argparse
import random
import sys
from collections import Counter

from cds_service.content.load import load
from tests.cql.compare import CannotRun, classes, differences, elm, evaluated, written
from tests.cql.drawing import drawn, edges

_AT_ONCE = 5000


def main() -> int:
    """Compare; 0: no difference, 1: some, 2: the other engine cannot be run."""
    asked = _arguments()
    draw = random.Random(asked.seed)
    infants = list(edges())
    if asked.edges_share < 1:
        infants = draw.sample(infants, int(len(infants) * asked.edges_share))
    boundary = len(infants)
    infants += [drawn(draw) for _ in range(asked.random)]
    protocol, cql = load(), elm(written())
    found = Counter[str]()
    different = 0
    for start in range(0, len(infants), _AT_ONCE):
        try:
            some = infants[start : start + _AT_ONCE]
            differ = differences(some, classes(some, protocol), evaluated(some, cql))
        except CannotRun as problem:
            print(problem, file=sys.stderr)
            return 2
        for infant, said in differ:
            different += 1
            found.update(said)
            if different <= asked.show:
                print(f"{infant}\n    {'; '.join(said)}")
    for line, count in found.most_common():
        print(f"{count} x {line}")
    print(f"{len(infants)} cases ({boundary} boundary cases), {different} differ")
    return 1 if different else 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.cql", description=__doc__)
    parser.add_argument("--random", type=int, default=100_000, help="so many random infants")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int, default=0, help="print so many cases that differ")
    parser.add_argument(
        "--edges-share", type=float, default=1.0, help="the share of the boundary cases, at random"
    )
    return parser.parse_args()


sys.exit(main())
