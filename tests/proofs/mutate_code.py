"""`python -m tests.proofs.mutate_code [options]`: which mutants of the code no test killed.

Reads what `quick_mutants` left in `mutants/` (all that was asked, or one draw of it) and prints,
for each file, the share of the mutants that a test killed, then each survivor as "function: line ->
changed line". Survivors that may be are listed in code_survivors.yaml with a reason each. Ends with
1 below 95 % killed or listed.
"""

import ast
import difflib
import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import yaml

from tests.proofs.draw import add_options, drawn
from tests.proofs.mutate_content import reason_for

MUTANTS = Path("mutants/cds_service/engine")
SURVIVORS = Path(__file__).with_name("code_survivors.yaml")
GOAL = 95
_SURVIVED, _NO_TEST = 0, (5, 33)


def results(meta: Path, options: Namespace) -> dict[str, int]:
    """Exit code of the tests by mutant, of those that were run."""
    codes = json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
    return {name: codes[name] for name in drawn(codes, options) if codes[name] is not None}


def survivors(meta: Path, options: Namespace) -> Iterator[str]:
    """What survived in one file, in words."""
    for name, code in results(meta, options).items():
        if code == _SURVIVED or code in _NO_TEST:
            yield f"{meta.name.removesuffix('.py.meta')} {change(meta, name.rpartition('.')[2])}"


def change(meta: Path, name: str) -> str:
    """The lines of a function that a mutant changes."""
    bodies = functions(meta.with_suffix(""))
    function = name.rpartition("__mutmut_")[0]
    before, after = (bodies[key].splitlines()[1:] for key in (f"{function}__mutmut_orig", name))
    lines = [line for line in difflib.ndiff(before, after) if line[0] in "+-"]
    old, new = (" ".join(one[2:].strip() for one in lines if one[0] == sign) for sign in "-+")
    return f"{function.removeprefix('x_')}: {old} -> {new}"


@cache
def functions(path: Path) -> dict[str, str]:
    """Every function of a file with mutants, written plainly, by name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    defined = (each for each in ast.walk(tree) if isinstance(each, ast.FunctionDef))
    return {each.name: ast.unparse(each) for each in defined}


def main() -> int:
    parser = ArgumentParser(description=__doc__)
    add_options(parser)
    options = parser.parse_args()
    listed = yaml.safe_load(SURVIVORS.read_text(encoding="utf-8")) or []
    known = {each["change"]: each["reason"] for each in listed}
    total, open_ones = 0, []
    for meta in sorted(MUTANTS.glob("*.meta")):
        run = results(meta, options)
        if not run:
            continue
        left = list(survivors(meta, options))
        total += len(run)
        unlisted = [one for one in left if not reason_for(one, known)]
        open_ones += unlisted
        print(
            f"{meta.name.removesuffix('.meta'):20} {len(run):5} mutants, "
            f"{100 * (1 - len(left) / len(run)):5.1f} % killed, {len(unlisted)} unlisted"
        )
    for one in open_ones:
        print(f"SURVIVED {one}")
    share = 100 * (1 - len(open_ones) / max(total, 1))
    print(f"{total} mutants, {share:.1f} % killed or listed")
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
