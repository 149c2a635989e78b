"""The CQL of this folder and the engine over the same infants: where do they differ?"""

import json
import shutil
import subprocess
import tempfile
from pathlib import Path

from cql_sdk.compiler.cql_to_elm import translate

from cds_service.case import Answer, Case
from cds_service.content.treatment import Protocol
from cds_service.engine.assess import assess
from cds_service.engine.settle import settle
from tests.cql.infants import BEFORE, EARLIER, SIGNS, Infant

HERE = Path(__file__).parent
_FILES = ("young_infant.cql", "follow_up.cql", "feeding_hiv.cql")
Classes = dict[str, bool | None]
_MEANT = {Answer.YES: True, Answer.NO: False, Answer.NOT_ASSESSED: None}


class CannotRun(Exception):
    """The other engine cannot be run; the text says what to do."""


def written() -> str:
    """The CQL: one library of its files, with a parameter for each sign and earlier class."""
    parameters = {
        "SIGNS": dict.fromkeys(SIGNS, "Boolean"),
        "BEFORE": {f"before {code}": "Boolean" for code in BEFORE},
        "EARLIER": {f"earlier {code}": "Boolean" for code in EARLIER}
        | {f"day {code}": "Integer" for code in EARLIER},
    }
    text = "".join((HERE / name).read_text(encoding="utf-8") for name in _FILES)
    for mark, types in parameters.items():
        lines = "".join(f'parameter "{name}" {kind}\n' for name, kind in types.items())
        text = text.replace(f"//{mark}\n", lines)
    return text


def elm(cql: str) -> str:
    """Translate to ELM as JSON.

    Raises ValueError for a function: the translator writes one that it does not know as a
    FunctionRef, without a word.
    """
    made = json.dumps(translate(cql))
    if '"FunctionRef"' in made:
        raise ValueError("the CQL calls a function that the translator does not know")
    return made


def differences(
    infants: list[Infant], ours: list[Classes], theirs: list[Classes]
) -> list[tuple[Infant, list[str]]]:
    """The infants that the two classify differently, with what each says."""
    found = []
    for infant, one, other in zip(infants, ours, theirs, strict=True):
        said = [
            f"{row}: engine {one[row]}, CQL {other[row]}"
            for row in other
            if one[row] is not other[row]
        ]
        if said:
            found.append((infant, said))
    return found


def classes(infants: list[Infant], protocol: Protocol) -> list[Classes]:
    """What the engine says of each infant."""
    return [_classes(infant.case(), protocol) for infant in infants]


def _classes(case: Case, protocol: Protocol) -> Classes:
    """What the engine says of each class; below a row that holds nothing else does."""
    by_table: dict[str, Classes] = {}
    for result in assess(settle(case, protocol)).rows:
        by_table.setdefault(result.table, {})[result.row.code] = _MEANT[result.answer]
    found: Classes = {}
    for table in protocol.tables:
        said = by_table.get(table.code, {})
        is_open = None in said.values() and True not in said.values()
        for row in table.rows:
            found[row.code] = said.get(row.code, None if is_open else False)
    return found


def evaluated(infants: list[Infant], made: str) -> list[Classes]:
    """What cql-execution says of each infant by this ELM, in the same order. Raises CannotRun."""
    if shutil.which("node") is None:
        raise CannotRun("Node.js is missing: install it with npm (Debian: nodejs npm)")
    if not (HERE / "node_modules").is_dir():
        raise CannotRun("npm packages are missing; first: (cd tests/cql && npm ci)")
    with tempfile.TemporaryDirectory() as scratch:
        library, cases = Path(scratch, "elm.json"), Path(scratch, "cases.ndjson")
        library.write_text(made, encoding="utf-8")
        with cases.open("w", encoding="utf-8") as out:
            out.writelines(json.dumps(infant.parameters()) + "\n" for infant in infants)
        command = ["node", str(HERE / "evaluate.js"), str(library), str(cases)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CannotRun(done.stderr)
    return [json.loads(line) for line in done.stdout.splitlines()]
