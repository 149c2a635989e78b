"""`python -m tests.proofs.mutate_content`: make every mutant of the content, and see it fail.

A mutant is refused by the content's own checks, or something stands against it (oracle.py), or it
survives; survivors.yaml lists those with a reason each. Ends with 1 when one survives that is not
listed. Narrow it down with a part of the mutants' names: `... mutate_content gentamicin.yaml`.
"""

import itertools
import sys
from collections import Counter
from collections.abc import Iterator
from fnmatch import fnmatchcase
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple

import yaml

from cds_service.content.load import load
from tests.proofs.mutants import Mutant, files, mutants
from tests.proofs.oracle import CRASHED, killed_by, verdict

SURVIVORS = Path(__file__).with_name("survivors.yaml")
PROCESSES = 2


class Result(NamedTuple):
    """A mutant and what became of it; `verdict` "": it survived."""

    name: str
    where: str
    verdict: str


def everyone(part: str = "") -> list[Mutant]:
    """The mutants whose names have a part in them."""
    return [one for file in files() for one in mutants(file) if part in one.name]


def judged(chosen: list[Mutant], processes: int = PROCESSES) -> Iterator[Result]:
    """Each mutant with its verdict, in the order given."""
    if processes == 1:
        yield from map(judge, chosen)
        return
    with Pool(processes) as pool:
        yield from pool.imap(judge, chosen, chunksize=8)


_COUNT = itertools.count(1)
CHECKED_EVERY = 50


def judge(mutant: Mutant) -> Result:
    """The verdict on one; now and then it is made sure that no mutant has left anything behind."""
    if next(_COUNT) % CHECKED_EVERY == 0 and (wrong := killed_by(load(translated=False))):
        raise RuntimeError(f"before {mutant.name}: the content as it is does not pass: {wrong}")
    return Result(mutant.name, f"{mutant.file}:{mutant.line}", verdict(mutant))


def listed() -> dict[str, str]:
    """The survivors that are known, as patterns of names, with the reason of each."""
    found = yaml.safe_load(SURVIVORS.read_text(encoding="utf-8")) or []
    return {each["mutant"]: each["reason"] for each in found}


def reason_for(name: str, known: dict[str, str]) -> str:
    """Why this mutant may survive; "" when nobody said."""
    for pattern, reason in known.items():
        # Brackets are part of units here, never sets of letters.
        if fnmatchcase(name, pattern.replace("[", "[[]")):
            return reason
    return ""


def main(arguments: list[str]) -> int:
    wrong = killed_by(load())
    if wrong:
        print(f"the content as it is does not pass: {wrong}")
        return 1
    known = listed()
    results = list(judged(everyone(*arguments[:1])))
    survived = [one for one in results if not one.verdict]
    unlisted = [one for one in survived if not reason_for(one.name, known)]
    kinds = Counter(_kind(one) for one in results)
    print(f"{len(results)} mutants:", ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()))
    for one in unlisted:
        print(f"SURVIVED {one.where}: {one.name}")
    fallen = [one for one in results if one.verdict.startswith(CRASHED)]
    for one in fallen:
        print(f"{one.where}: {one.name}: {one.verdict}")
    unlisted += fallen
    if not arguments:
        for pattern in known:
            if not any(reason_for(one.name, {pattern: "-"}) for one in survived):
                print(f"listed, but none survives: {pattern}")
                unlisted.append(Result(pattern, "", ""))
    return 1 if unlisted else 0


def _kind(result: Result) -> str:
    if not result.verdict:
        return "survived"
    if result.verdict == "refused":
        return "refused"
    return (
        "killed by a published dose"
        if "test_" in result.verdict
        else ("killed by a pair" if result.verdict.startswith("pair ") else "killed by a case")
    )


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
