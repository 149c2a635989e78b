"""`python -m tests.judges`: outside validators over the artefacts, example requests and answers.

Each judge has an environment of its own under build/judges/, because their packages conflict; it
is made when missing. After that nothing leaves the machine. A defect that a judge must find is
seeded beside what is published: a judge that no longer finds it fails. So does a known false
alarm that is no longer raised.
"""

import json
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.environments import made
from tests.judges.known import FALSE_ALARMS
from tests.judges.seeded import SEEDED, seeded

ROOT = Path(__file__).parent.parent.parent
BUILD = ROOT / "build" / "judges"
JUDGES = ("google", "pyrofile")
"""google first: the definitions that pyrofile reads lie in its wheel."""


def environment(judge: str) -> Path:
    """The Python of a judge, with exactly the packages of its lock file."""
    lock = Path(__file__).parent / f"requirements-{judge}.txt"
    return made(BUILD / judge, lock, latest=(3, 11))


def judged() -> dict[str, Any]:
    """What is to be judged, by name: published, sent, answered and seeded with a defect."""
    paths = [
        *sorted((ROOT / "profiles").rglob("*.json")),
        *sorted((ROOT / "examples").glob("*/request.json")),
        *sorted((ROOT / "examples").glob("*/response.json")),
        *sorted((ROOT / "examples").glob("*/referral-note.json")),
    ]
    named = {str(p.relative_to(ROOT)): json.loads(p.read_text(encoding="utf-8")) for p in paths}
    return named | seeded(named)


def verdicts(judge: str, work: Path) -> dict[str, list[list[str]]]:
    """Every alarm of a judge, by the name of the resource: its code and its path."""
    script = Path(__file__).parent / f"by_{judge}.py"
    definitions = BUILD / "google" / "definitions"
    command = [str(environment(judge)), str(script), str(work), str(ROOT), str(definitions)]
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
    print(f"{judge}: {len(found)} resources, {sum(raised.values())} alarms")
    return told


def main() -> None:
    begun, everything = time.monotonic(), judged()
    BUILD.mkdir(parents=True, exist_ok=True)
    work = BUILD / "judged.json"
    work.write_text(json.dumps(everything), encoding="utf-8")
    for judge in JUDGES:
        environment(judge)
    told = [line for j in JUDGES for line in faults(j, verdicts(j, work), list(everything))]
    print("\n".join(told) or "nothing", f"({time.monotonic() - begun:.0f} s)", sep="\n")
    sys.exit(bool(told))


if __name__ == "__main__":
    main()
