"""`python -m tests.judges`: outside validators over what is published, sent and answered.

    nice python -m tests.judges [--one-in 1]

Judged are the artefacts, the example requests and answers, and of the answers to the clinical
case files one in so many (always the same ones; --one-in 1: every one). Each judge has an
environment of its own under build/judges/, because their packages conflict; it is made when
missing. After that nothing leaves the machine. A defect that a judge must find is seeded beside
what is published: a judge that no longer finds it fails. So does a known false alarm that is no
longer raised.
"""

import argparse
import json
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import orjson

from cds_service.fhir.write_json import exactly
from tests.environments import made
from tests.judges.answers import answers
from tests.judges.known import FALSE_ALARMS
from tests.judges.seeded import SEEDED, seeded

ROOT = Path(__file__).parent.parent.parent
BUILD = ROOT / "build" / "judges"
JUDGES = ("google", "pyrofile", "fhirkit", "invariants")
"""google first: the definitions that the others read lie in its wheel."""
PRECISE = (
    '{"resourceType":"Observation","status":"final","code":{"text":"weight"},'
    '"valueQuantity":{"value":3.10,"system":"http://unitsofmeasure.org","code":"kg"}}'
)
"""FHIR R4, datatype decimal (from memory): 3.10 is not 3.1, its precision is to be kept."""
NODE = ROOT / "tests" / "fhirpath" / "node_modules"
"""Where npm fhirpath is, which evaluates the official invariants."""


def environment(judge: str) -> Path:
    """The Python of a judge, with exactly the packages of its lock file."""
    lock = Path(__file__).parent / f"requirements-{judge}.txt"
    return made(BUILD / judge, lock, latest=(3, 11))


def judged(one_in: int) -> dict[str, Any]:
    """What is to be judged, by name: published, sent, answered and seeded with a defect."""
    paths = [
        *sorted((ROOT / "profiles").rglob("*.json")),
        *sorted((ROOT / "examples").glob("*/request.json")),
        *sorted((ROOT / "examples").glob("*/response.json")),
        *sorted((ROOT / "examples").glob("*/referral-note.json")),
    ]
    named = {str(p.relative_to(ROOT)): _read(p.read_text(encoding="utf-8")) for p in paths}
    return named | {"sent/3.10": _read(PRECISE)} | answers(one_in) | seeded(named)


def _read(text: str) -> Any:
    return json.loads(text, parse_float=Decimal)


def verdicts(judge: str, work: Path) -> dict[str, list[list[str]]]:
    """Every alarm of a judge, by the name of the resource: its code and its path."""
    here, definitions = Path(__file__).parent, BUILD / "google" / "definitions"
    if judge == "invariants":
        command = ["node", str(here / "invariants.js")]
    else:
        command = [str(environment(judge)), str(here / f"by_{judge}.py")]
    command += [str(work), str(ROOT), str(definitions)]
    run = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    found: dict[str, list[list[str]]] = json.loads(run.stdout)
    return found


def faults(judge: str, found: dict[str, list[list[str]]], names: list[str]) -> list[str]:
    """What is wrong: an alarm that is not known, a defect not found, a known alarm not raised."""
    if sorted(found) != sorted(names):
        return [f"{judge}: it did not judge everything"]
    known = {key for key in FALSE_ALARMS if key[0] == judge}
    raised: Counter[tuple[str, str, str]] = Counter()
    told = []
    for name, alarms in found.items():
        fresh = [(judge, code, path) for code, path in alarms]
        raised.update(each for each in fresh if not name.startswith("seeded/"))
        fresh = [each for each in fresh if each not in known]
        if name.startswith("seeded/"):
            wanted = SEEDED[name.removeprefix("seeded/")].get(judge)
            if wanted and not any(wanted in code or wanted in path for _, code, path in fresh):
                told.append(f"{judge}: does not find {name}")
        else:
            told += [f"{judge}: {name}: {code} {path}" for _, code, path in fresh]
    told += [f"{judge}: listed but not raised: {key[1:]}" for key in known - set(raised)]
    print(f"{judge}: {len(found)} resources, {sum(raised.values())} alarms", flush=True)
    return told


def lines(everything: dict[str, Any]) -> str:
    """A name and its resource a line, every decimal as it was read."""
    texts = ((name, orjson.dumps(exactly(each)).decode()) for name, each in everything.items())
    return "".join(f"{name}\t{text}\n" for name, text in texts)


def main() -> None:
    """Exit code 0: nothing to say; 1: a fault; 2: a judge cannot be run."""
    parser = argparse.ArgumentParser(prog="tests.judges", description=__doc__)
    parser.add_argument("--one-in", type=int, default=1, help="of the answers to the case files")
    begun, everything = time.monotonic(), judged(parser.parse_args().one_in)
    if not NODE.is_dir():
        print("npm packages are missing; first: (cd tests/fhirpath && npm ci)", file=sys.stderr)
        sys.exit(2)
    BUILD.mkdir(parents=True, exist_ok=True)
    work = BUILD / "judged.tsv"
    work.write_text(lines(everything), encoding="utf-8")
    for judge in JUDGES[:-1]:
        environment(judge)
    # The others at the same time, while the slowest is at work.
    found = [verdicts(JUDGES[0], work)]
    with ThreadPoolExecutor() as pool:
        found += pool.map(partial(verdicts, work=work), JUDGES[1:])
    names = list(everything)
    told = [line for j, its in zip(JUDGES, found, strict=True) for line in faults(j, its, names)]
    print("\n".join(told) or "nothing", f"({time.monotonic() - begun:.0f} s)", sep="\n")
    sys.exit(bool(told))


if __name__ == "__main__":
    main()
