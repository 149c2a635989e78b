"""`python -m tests.proofs.quick_mutants [options] [part of a name ...]`: mutmut's mutants, quicker.

mutmut makes the mutants and keeps the results (`mutants/`, read by `mutate_code` and by
`mutmut show`); here they are only run. The tests are collected once. Each mutant is a fork of that
process, in which the tests that reach it run until one fails: first those that killed others like
it, then the cases that it decides otherwise, then the rest, shortest first. Hypothesis draws the
same few examples each time and shrinks nothing. What was decided before is not run again
(`--again`: what survived is). `mutants/witnesses.json`: random infants whom a survivor decides
otherwise; none: it may be equivalent.
"""

import argparse
import fnmatch
import gc
import json
import os
import signal
import sys
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings
from mutmut.configuration import config
from mutmut.mutation import trampoline
from mutmut.mutation.data import SourceFileMutationData
from mutmut.state import state
from mutmut.utils.file_utils import (
    copy_also_copy_files,
    copy_src_dir,
    setup_source_paths,
    walk_mutatable_files,
)

from tests.proofs import killers
from tests.proofs.draw import add_options, drawn

SLOWER, SECONDS = 20, 10  # so many times its usual time and seconds more: a test that will not end
ENDLESS = 60
SHORT = 1
KILLED, SURVIVED, UNREACHED = 1, 0, 33
ENGINE = "tests/engine/test_"
CASE_TESTS = (
    f"{ENGINE}cases.py::test_case_as_the_clinical_text_has_it",
    f"{ENGINE}everything_said.py::test_all_that_is_said_of_a_case_has_words_and_is_of_its_type",
)
DOUBT_TESTS = (f"{ENGINE}said_in_doubt.py::test_what_is_in_doubt_can_be_said",)


class Run(NamedTuple):
    """A mutant that is being asked."""

    data: SourceFileMutationData
    mutant: str
    begun: float


def main() -> int:
    # Not above: it changes how processes begin, and pytest looks into every file for doctests.
    from mutmut.__main__ import create_mutants

    options = arguments()
    copy_src_dir()
    copy_also_copy_files()
    setup_source_paths()
    create_mutants(options.children)
    os.chdir("mutants")
    plain = [
        "--rootdir=.",
        "-q",
        "--assert=plain",
        "--tb=native",
        "--capture=no",
        "-p",
        "no:logging",
    ]
    chosen = config().pytest_add_cli_args_test_selection
    return int(pytest.main([*plain, *config().pytest_add_cli_args, *chosen], [Loop(options)]))


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="parts of names of mutants, with * and ?")
    parser.add_argument("--children", type=int, default=2)
    parser.add_argument("--examples", type=int, default=15, help="of each Hypothesis test")
    add_options(parser)
    parser.add_argument("--infants", type=int, default=600, help="random ones to tell survivors by")
    parser.add_argument("--thorough", action="store_true", help="every test of every survivor")
    parser.add_argument("--tests", nargs="*", default=(), help="only those with this in their name")
    parser.add_argument(
        "--again", action="store_true", help="ask the survivors again, and no other"
    )
    return parser.parse_args()


class Loop:
    """In place of pytest's own: every mutant through the tests that reach it."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.kills: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self.items: dict[str, pytest.Item] = {}
        self.reached: dict[str, list[str]] = {}
        self.seconds: dict[str, float] = {}

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise session.Interrupted("not all tests could be collected")
        # Only now: what mutmut copied is what gets imported.
        from tests.proofs import fresh, witness

        few(self.options.examples)
        parts = self.options.tests
        every = [one for one in session.items if one.nodeid.startswith(killers.EVERY)]
        chosen = [one for one in every if any(part in one.nodeid for part in parts)]
        self.items = {item.nodeid: item for item in (chosen if parts else every)}
        self.look()
        plainly(lambda mutants: mutants["_mutmut_orig"])
        trampoline.get_mutant_under_test = lambda: ""
        self.told = ((CASE_TESTS, witness.of_cases()), (DOUBT_TESTS, witness.of_doubts()))
        self.random = witness.at_random(self.options.infants)
        fresh.pytest_runtest_setup()
        gc.collect()
        gc.freeze()
        self.run()
        return True

    def look(self) -> None:
        """Which functions each test reaches and how long it takes, found in a fork."""
        kept = Path("quick.json")
        if not kept.exists():
            self.write(kept)
        self.read(kept)
        if self.items.keys() - self.seconds.keys():
            child = os.fork()
            if not child:
                self.watch()
                self.write(kept)
                os._exit(0)
            if os.waitpid(child, 0)[1]:
                raise SystemExit("a test fails with nothing changed")
            self.read(kept)

    def write(self, kept: Path) -> None:
        """The tests by their place: a function is reached by thousands with long names."""
        places = {name: place for place, name in enumerate(self.seconds)}
        reached = {one: [places[name] for name in names] for one, names in self.reached.items()}
        found = {"seconds": self.seconds, "reached": reached}
        kept.write_text(json.dumps(found), encoding="utf-8")

    def read(self, kept: Path) -> None:
        found = json.loads(kept.read_text(encoding="utf-8"))
        names = list(found["seconds"])
        self.seconds = found["seconds"]
        self.reached = {one: [names[p] for p in places] for one, places in found["reached"].items()}

    def watch(self) -> None:
        trampoline.get_mutant_under_test = lambda: "stats"
        new = [item for name, item in self.items.items() if name not in self.seconds]
        for item, after in zip(new, [*new, None][1:], strict=True):
            state()._stats.clear()
            begun = time.process_time()
            if fails(item, after):
                print(f"fails with nothing changed: {item.nodeid}")
                os._exit(1)
            self.seconds[item.nodeid] = time.process_time() - begun
            for function in state()._stats:
                self.reached.setdefault(function, []).append(item.nodeid)

    def run(self) -> None:
        waiting = list(self.waiting())
        running: dict[int, Run] = {}
        for done, (data, name) in enumerate(waiting):
            while len(running) >= self.options.children:
                self.ended(running)
            if not done % 50:
                print(f"{done}/{len(waiting)} {name}", flush=True)
            running[self.begin(name)] = Run(data, name, time.time())
        while running:
            self.ended(running)

    def waiting(self) -> Iterator[tuple[SourceFileMutationData, str]]:
        os.chdir("..")
        for path in sorted(walk_mutatable_files(), key=self.place):
            data = SourceFileMutationData(path=path)
            data.load()
            data.meta_path = data.meta_path.absolute()
            for name in drawn(data.exit_code_by_key, self.options):
                code = data.exit_code_by_key[name]
                left = code in (SURVIVED, UNREACHED)
                open_one = left if self.options.again else code is None
                if open_one and self.asked(name):
                    yield data, name
        os.chdir("mutants")

    def place(self, path: Path) -> tuple[int, Path]:
        """The order in which the parts of names were given."""
        name = ".".join((*path.with_suffix("").parts, "x_"))
        fit = (i for i, part in enumerate(self.options.names) if fnmatch.fnmatch(name, f"*{part}*"))
        return next(fit, len(self.options.names)), path

    def asked(self, name: str) -> bool:
        names = self.options.names
        return not names or any(fnmatch.fnmatch(name, f"*{part}*") for part in names)

    def begin(self, mutant: str) -> int:
        child = os.fork()
        if not child:
            quiet = os.open("child.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            try:
                os._exit(self.ask(mutant))
            finally:
                traceback.print_exc()
                os._exit(2)
        return child

    def ask(self, mutant: str) -> int:
        """In the fork: whether a test fails; its name, or the witnesses, are left in a file."""
        function = mutant.partition("__mutmut_")[0]
        others = killers.of(function)
        reaching = self.reaching(function, others)
        if not reaching:
            return UNREACHED
        trampoline.get_mutant_under_test = lambda: mutant
        plainly(lambda mutants: mutants.get(mutant.rpartition(".")[2]))
        known = self.kills[function] + self.kills[function.rpartition(".")[0]]
        before = [name for name, _ in known.most_common(4) if name in reaching]
        if self.one_fails(before):
            return KILLED
        signal.setitimer(signal.ITIMER_PROF, ENDLESS)
        differ = []
        for tests, case in self.differing():
            differ.append(case)
            if self.one_fails([f"{test}[{case}]" for test in tests]):
                return KILLED
            signal.setitimer(signal.ITIMER_PROF, ENDLESS)
        found = [*differ[:3], *islice(self.random.differ(), 5)]
        done = {
            *before,
            *(name for name in self.items if name.startswith(CASE_TESTS + DOUBT_TESTS)),
        }
        rest = [name for name in reaching - done if self.is_worth(name, others)]
        if self.one_fails(sorted(rest, key=self.seconds.__getitem__)):
            return KILLED
        Path(f"left-{os.getpid()}").write_text(json.dumps(found), encoding="utf-8")
        return SURVIVED

    def differing(self) -> Iterator[tuple[tuple[str, ...], str]]:
        """The cases that the mutant decides otherwise, each with the tests of it."""
        for tests, witnesses in () if self.options.tests else self.told:
            for case in witnesses.differ():
                yield tests, case

    def reaching(self, function: str, others: tuple[str, ...]) -> set[str]:
        """The tests that call it, and those that share the answers that the first of them got."""
        asked = (*killers.ALWAYS, *others)
        called = {name for name in self.reached.get(function, ()) if name in self.items}
        shared = {name for name in self.items if name.startswith(killers.SHARED)}
        return {name for name in called | shared if name.startswith(asked)}

    def is_worth(self, name: str, others: tuple[str, ...]) -> bool:
        """Whether the test may kill what no case was told otherwise by, for the time it takes."""
        quick = self.seconds[name] < SHORT or name.startswith(others)
        return (quick and not name.startswith(killers.SLOW)) or bool(self.options.thorough)

    def one_fails(self, tests: list[str]) -> bool:
        tests = [name for name in tests if name in self.items]
        for name, after in zip(tests, [*tests, ""][1:], strict=True):
            Path(f"left-{os.getpid()}").write_text(name, encoding="utf-8")
            signal.setitimer(signal.ITIMER_PROF, SECONDS + SLOWER * self.seconds[name])
            if fails(self.items[name], self.items.get(after)):
                return True
        return False

    def ended(self, running: dict[int, Run]) -> None:
        child, status, _ = os.wait3(0)
        data, mutant, begun = running.pop(child)
        code = KILLED if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)
        left = Path(f"left-{child}")
        if code == KILLED and left.exists():
            function = mutant.partition("__mutmut_")[0]
            for where in (function, function.rpartition(".")[0]):
                self.kills[where][left.read_text(encoding="utf-8")] += 1
        if code == SURVIVED:
            with Path("witnesses.json").open("a", encoding="utf-8") as every:
                every.write(json.dumps({mutant: json.loads(left.read_text())}) + "\n")
        left.unlink(missing_ok=True)
        data.exit_code_by_key[mutant] = code
        data.durations_by_key[mutant] = time.time() - begun
        data.save()


def plainly(chosen: Any) -> None:
    """Put a function itself wherever mutmut's detour to it stands: it is called a million times."""
    swap = {}
    for module in [sys.modules[name] for name in sys.modules if name.startswith("cds_service.eng")]:
        for name, mutants in list(vars(module).items()):
            if name.startswith("mutants_x_") and (function := chosen(mutants)) is not None:
                usual = name.removeprefix("mutants_x_").removesuffix("__mutmut")
                swap[id(vars(module)[usual])] = function
                swap[id(mutants["_mutmut_orig"])] = function
    for module in [m for n, m in sys.modules.items() if n.startswith(("cds_service", "tests"))]:
        for name, value in list(vars(module).items()):
            if id(value) in swap and "__mutmut_" not in name:
                setattr(module, name, swap[id(value)])


def few(examples: int) -> None:
    """Each Hypothesis test draws that many examples, the same ones in every fork."""
    modules = [module for name, module in sys.modules.items() if name.startswith("tests.")]
    for test in {id(each): each for module in modules for each in vars(module).values()}.values():
        usual = getattr(test, "_hypothesis_internal_use_settings", None)
        if usual is not None:
            test._hypothesis_internal_use_settings = settings(
                usual,
                max_examples=min(examples, usual.max_examples),
                phases=[Phase.explicit, Phase.generate],
                derandomize=True,
                database=None,
            )


def fails(item: pytest.Item, after: pytest.Item | None = None) -> bool:
    return any(report.failed for report in runtestprotocol(item, log=False, nextitem=after))


if __name__ == "__main__":
    sys.exit(main())
