"""What stands against a changed content: its own checks, then cases and published doses.

Nothing here looks at the content itself: the cases that a clinician wrote, the doses of the
published tables, and the pairs of infants whose classes were written down.
"""

import inspect
import itertools
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import yaml

from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.errors import ContentError
from tests.engine.told import tell
from tests.proofs.as_case import as_case
from tests.proofs.content import BASE, content
from tests.proofs.infant import read
from tests.proofs.mcdc import PAIRS
from tests.proofs.mutants import Mutant

_TESTS = Path(__file__).parents[1] / "engine"
CRASHED = "the loader fell over"
SLOW = ("obsolete_doses",)
PUBLISHED = ("published_*", "prophylaxis_doses", "fluids", "trade_facts")
"""Tests of tests/engine that compare with published numbers."""


def verdict(mutant: Mutant) -> str:
    """Why the mutant cannot pass: "refused", or what killed it; "" for a survivor."""
    try:
        protocol = with_file(mutant.file, mutant.text)
    except ContentError:
        return "refused"
    except Exception as error:  # noqa: BLE001 - a loader that falls over is told, not hidden
        return f"{CRASHED}: {error!r}"
    return killed_by(protocol, mutant.file)


def with_file(file: str, text: bytes) -> Protocol:
    """The content with another text of one file. Raises ContentError."""
    return load(_folder(file, text), translated=False)


def killed_by(protocol: Protocol, file: str = "") -> str:
    """The first thing that does not fit this content; "" when all does."""
    checks = (_cases, _pairs, _published)
    if file.startswith(("medicines/", "fluids")):  # what kills most comes first
        checks = (_published, _cases, _pairs)
    elif file.startswith(("signs", "classifications")):
        checks = (_pairs, _cases, _published)
    for check in checks:
        for name in check(protocol):
            return name
    return ""


def _folder(file: str, text: bytes) -> Path:
    """A copy of the packaged content with one file changed; the rest is linked."""
    root = _scratch()
    target = root / BASE.name
    for path in BASE.rglob("*"):
        link = target / path.relative_to(BASE)
        if path.is_file() and not link.is_symlink():
            link.parent.mkdir(parents=True, exist_ok=True)
            link.unlink(missing_ok=True)
            link.symlink_to(path)
    changed = target / file
    changed.unlink()
    changed.write_bytes(text)
    return root


@cache
def _scratch() -> Path:
    return Path(tempfile.mkdtemp(prefix="mutant-"))


def _cases(protocol: Protocol) -> Iterator[str]:
    cases = import_module("tests.engine.test_cases")
    for told in cases.CASES:
        if _fails(lambda told=told: _case(cases, told, protocol)):
            yield told.name


def _case(cases: Any, told: Any, protocol: Protocol) -> None:
    decision = decide(told.case, protocol)
    assert all(
        cases.agrees(word, expected, tell(decision, word)) for word, expected in told.expect.items()
    )


@cache
def _kept() -> list[tuple[str, str, Any, str]]:
    """Name, table, infant and class of everyone in the pairs."""
    right = content()
    tables = {row["class"]: code for code, table in right.tables.items() for row in table["rows"]}
    found = []
    for pair in yaml.load(PAIRS.read_bytes(), yaml.CSafeLoader):
        table = tables[pair["with"]["class"]]
        for told in (pair["with"], pair["without"]):
            infant = read(right, told["infant"])
            found += [(pair["pair"], table, infant, told["class"])]
    return found


def _pairs(protocol: Protocol) -> Iterator[str]:
    for name, table, world, expected in _kept():
        if _fails(lambda world=world, t=table, e=expected: _pair(world, t, e, protocol)):
            yield f"pair {name}"


def _pair(world: Any, table: str, expected: str, protocol: Protocol) -> None:
    assessment = decide(as_case(world, protocol), protocol).assessment
    classes = {held.table: held.code for held in assessment.classes}
    assert classes.get(table, "none") == expected


def _published(protocol: Protocol) -> Iterator[str]:
    """The tests of published doses, run on this content."""
    for module in _modules():  # all of them first: one may use what another defines
        module.PROTOCOL = protocol
    for module in _modules():
        for kept in vars(module).values():
            if hasattr(kept, "cache_clear"):  # what was worked out with other content
                kept.cache_clear()
    for module in _modules():
        for name, test in _tests(module):
            if _fails(test):
                yield f"{module.__name__}.{name}"


@cache
def _modules() -> list[Any]:
    paths = sorted(path for name in PUBLISHED for path in _TESTS.glob(f"test_{name}.py"))
    modules = [import_module(f"tests.engine.{path.stem}") for path in paths]
    return [module for module in modules if hasattr(module, "PROTOCOL")]


def _tests(module: Any) -> Iterator[tuple[str, Callable[[], None]]]:
    for name, test in vars(module).items():
        if name.startswith("test_") and not any(slow in name for slow in SLOW):
            for values in _values(test):
                if values.keys() >= inspect.signature(test).parameters.keys():
                    yield name, lambda test=test, values=values: test(**values)


def _values(test: Any) -> Iterator[dict[str, Any]]:
    """The values of a parametrised test, as pytest would give them."""
    marks = [mark.args for mark in getattr(test, "pytestmark", ()) if mark.name == "parametrize"]
    for chosen in itertools.product(*(values for _, values in marks)):
        found: dict[str, Any] = {}
        for (names, _), value in zip(marks, chosen, strict=True):
            split = [n.strip() for n in names.split(",")] if isinstance(names, str) else names
            found |= dict(zip(split, value if len(split) > 1 else (value,), strict=True))
        yield found


def _fails(check: Callable[[], object]) -> bool:
    try:
        check()
    except Exception:  # noqa: BLE001 - whatever goes wrong shows the mutant
        return True
    return False
