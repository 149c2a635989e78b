"""`python -m tests.outside`: the official definitions, and resources made from them, sent as data.

Run after `python -m tests.judges`, which unpacks the definitions. Every type of R4, and published
StructureDefinitions, ValueSets and CodeSystems as they are.
"""

import argparse
import json
import sys
import time
from pathlib import Path

from tests.judges.__main__ import BUILD, environment
from tests.outside.generated import resources
from tests.outside.posting import poster

DEFINITIONS = BUILD / "google" / "definitions" / "package"
_LARGEST = 200_000


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.outside", description=__doc__)
    parser.add_argument("--each", type=int, default=3, help="resources of every type (default 3)")
    parser.add_argument("--published", type=int, default=150, help="definitions (default 150)")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    begun = time.monotonic()
    environment("google")
    made = list(resources(DEFINITIONS, asked.seed, asked.each))
    paths = [each for each in sorted(DEFINITIONS.glob("*.json")) if each.stat().st_size < _LARGEST]
    step = max(1, len(paths) // asked.published)
    published = [json.loads(Path(each).read_text(encoding="utf-8")) for each in paths[::step]]
    kinds = {each["resourceType"] for each in made}
    faults: list[str] = []
    with poster() as posts:
        sent = [*made, *published]
        for start in range(0, len(sent), 25):
            faults += posts.posts(sent[start : start + 25])
        statuses, beside = dict(sorted(posts.statuses.items())), posts.beside
    took = time.monotonic() - begun
    print(f"{len(made)} made of {len(kinds)} types, {len(published)} published: {took:.0f} s")
    print(f"answers by status: {statuses}; plans for our infant beside them: {beside}")
    print(*faults or ["nothing is wrong"], sep="\n")
    return 1 if faults or len(kinds) < 140 or beside < len(sent) / 2 else 0


if __name__ == "__main__":
    sys.exit(main())
