"""The published conditions against the engine: the same classes, by a FHIRPath engine not ours.

    (cd tests/fhirpath && npm ci)
    nice python -m tests.fhirpath --cases 1000 --seed 7 [--edition 2014.1] [--adaptation kestria]

npm `fhirpath` with its R4 model evaluates the Library over invented infants, values at and beside
every limit and unknown ones among them; each difference is printed. Exit code 1 when there is one.
`tests/run` does some of them: it takes some 0.1 s a case.
"""

import argparse
import json
import random
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from cds_service.case import Answer
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.errors import RequestError
from cds_service.fhir.artefacts_library import library
from cds_service.fhir.fhirpath_data import name
from cds_service.fhir.read import read
from tests.fhirpath.infants import AS_OF, NOW, Json, infant

_HERE = Path(__file__).parent
_AT_ONCE = 1000
_MEANT = {Answer.YES: True, Answer.NO: False, Answer.NOT_ASSESSED: None}


def main() -> int:
    """Compare; 0: no difference, 1: some, 2: the other engine cannot be run."""
    asked = _arguments()
    protocol = load(edition=asked.edition, adaptation=asked.adaptation)
    draw, found = random.Random(asked.seed), Counter[str]()
    done = different = 0
    while done < asked.cases:
        cases, wanted = _cases(protocol, min(_AT_ONCE, asked.cases - done), draw)
        with tempfile.TemporaryDirectory() as scratch:
            results = _evaluated(protocol, cases, Path(scratch))
        if results is None:
            return 2
        for index, (result, classes) in enumerate(zip(results, wanted, strict=True), start=done):
            said = _said(result, classes)
            different += bool(said)
            found.update(said)
            if said and different <= asked.show:
                print(f"case {index}: {'; '.join(said)}\n{json.dumps(cases[index - done])}")
        done += len(cases)
    for line, count in found.most_common():
        print(f"{count} x {line}")
    print(f"{done} cases, {different} differ")
    return 1 if different else 0


def _said(result: dict[str, bool | None], classes: dict[str, bool | None]) -> list[str]:
    """Each class of which the two say something else."""
    return [
        f"{row}: engine {ours}, FHIRPath {result[row]}"
        for row, ours in classes.items()
        if result[row] is not ours
    ]


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.fhirpath", description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int, default=0, help="print so many cases that differ")
    parser.add_argument("--edition", default="")
    parser.add_argument("--adaptation", default="")
    return parser.parse_args()


def _cases(
    protocol: Protocol, count: int, draw: random.Random
) -> tuple[list[Json], list[dict[str, bool | None]]]:
    cases, wanted = [], []
    while len(cases) < count:
        data = infant(protocol, draw)
        body = {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "asOf", "valueDateTime": AS_OF},
                {"name": "data", "resource": data},
            ],
        }
        try:
            case = read(json.dumps(body).encode(), protocol, now=NOW).case
        except RequestError:  # no age inside the protocol
            continue
        cases.append({"data": data, "asOf": AS_OF})
        wanted.append(_classes(protocol, decide(case, protocol)))
    return cases, wanted


def _classes(protocol: Protocol, decision: Decision) -> dict[str, bool | None]:
    """What the engine says of each class; below a row that holds nothing else does."""
    by_table: dict[str, dict[str, Answer]] = {}
    for result in decision.assessment.rows:
        by_table.setdefault(result.table, {})[result.row.code] = result.answer
    classes = {}
    for table in protocol.tables:
        said = by_table.get(table.code, {})
        held = Answer.YES in said.values()
        rest = (
            Answer.NOT_ASSESSED if Answer.NOT_ASSESSED in said.values() and not held else Answer.NO
        )
        for row in table.rows:
            classes[f"now_{name(row.code)}"] = _MEANT[said.get(row.code, rest)]
    return classes


def _evaluated(
    protocol: Protocol, cases: list[Json], scratch: Path
) -> list[dict[str, bool | None]] | None:
    (scratch / "library.json").write_text(json.dumps(library(protocol, "http://here.example")))
    lines = "".join(json.dumps(case) + "\n" for case in cases)
    (scratch / "cases.ndjson").write_text(lines, encoding="utf-8")
    if not (_HERE / "node_modules").is_dir():
        print(f"first: (cd {_HERE.name} && npm ci)", file=sys.stderr)
        return None
    files = [str(scratch / each) for each in ("library.json", "cases.ndjson")]
    done = subprocess.run(
        ["node", str(_HERE / "evaluate.js"), *files],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        print(done.stderr, file=sys.stderr)
        return None
    return [json.loads(line) for line in done.stdout.splitlines()]


sys.exit(main())
