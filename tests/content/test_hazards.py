"""The hazards: each has controls, each control has tests, and a test that did not pass is told.

What a hazard is made of: cause, control, test, as in the analysis of risk for medical software.
"""

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from cds_service.content.hazards import Control, Hazard, hazards
from cds_service.content.load import load
from cds_service.errors import ContentError
from tests.conftest import Hazards, is_part
from tests.content.broken import PACKAGED
from tests.ran import faults

ROOT = Path(__file__).parents[2]
GOOD = """\
hazards:
  a-slip:
    hazard: A slip.
    harm: A wrong dose.
    severity: serious
    causes: ["typing"]
    controls:
      - {control: "Asked.", texts: [caution.weigh-again], signs: [convulsions], tests: ["t.py::a"]}
    residual: Some.
"""


def found(folder: Path, text: str) -> tuple[str, ...]:
    (folder / "hazards").mkdir()
    (folder / "hazards" / "some.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ContentError) as caught:
        hazards(folder, load())
    return caught.value.findings


def test_the_packaged_hazards_have_no_fault() -> None:
    known = hazards(PACKAGED, load())
    assert len(known) >= 60
    assert all(each.controls and each.residual for each in known)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (r"controls:\n.*\n", "controls: []\n", "the hazard a-slip has no control"),
        (r" +controls:\n.*\n", "", "the hazard a-slip has no control"),
        (r", tests: \[.*\]", "", "a control of a-slip has no test"),
        ("weigh-again", "weigh-never", "unknown text caution.weigh-never"),
        (r"\[convulsions\]", "[yawns]", "unknown sign yawns"),
        ("harm:", "harms:", "unknown key harms"),
        ("serious", "bad", "severity is bad"),
        (r"(?s).*", "", "the file is empty"),
    ],
)
def test_a_fault_is_found(tmp_path: Path, old: str, new: str, said: str) -> None:
    findings = found(tmp_path, re.sub(old, lambda _: new, GOOD, count=1))
    assert any(said in each for each in findings), findings


def test_a_hazard_of_two_files_is_found(tmp_path: Path) -> None:
    (tmp_path / "hazards").mkdir()
    for name in ("a", "b"):
        (tmp_path / "hazards" / f"{name}.yaml").write_text(GOOD, encoding="utf-8")
    with pytest.raises(ContentError, match="the hazard a-slip is there already"):
        hazards(tmp_path, load())


ONE = Hazard("a-slip", "", "", "minor", (), (Control("", ("t.py::a",)),), "")


def test_a_test_that_passed_with_all_its_parameters_is_no_fault() -> None:
    nodes = {"t.py::a[1]", "t.py::a[2]"}
    assert faults([ONE], nodes, nodes) == []


def test_a_test_that_was_not_run_is_told() -> None:
    other = {"t.py::test_another"}
    assert faults([ONE], other, other) == ["a-slip: t.py::a was not run"]


def test_a_test_that_was_skipped_or_failed_in_part_is_told() -> None:
    nodes = {"t.py::a[1]", "t.py::a[2]"}
    assert faults([ONE], nodes, {"t.py::a[1]"}) == ["a-slip: t.py::a did not pass"]


def test_a_test_may_be_named_with_the_beginning_of_its_parameters() -> None:
    nodes = {"t.py::a[old: 1]", "t.py::a[old: 2]", "t.py::a[new: 1]"}
    old = replace(ONE, controls=(Control("", ("t.py::a[old:",)),))
    lost = replace(ONE, controls=(Control("", ("t.py::a[lost:",)),))
    assert faults([old], nodes, nodes - {"t.py::a[new: 1]"}) == []
    assert faults([old], nodes, nodes - {"t.py::a[old: 2]"}) == [
        "a-slip: t.py::a[old: did not pass"
    ]
    assert faults([lost], nodes, nodes) == ["a-slip: t.py::a[lost: was not run"]


@pytest.mark.parametrize(
    ("partly", "code"), [(False, pytest.ExitCode.TESTS_FAILED), (True, pytest.ExitCode.OK)]
)
def test_the_end_of_a_full_run_without_those_tests_fails_and_of_a_part_says_so(
    partly: bool, code: pytest.ExitCode
) -> None:
    plugin = Hazards()
    plugin.partly = partly
    config = SimpleNamespace(
        args_source=pytest.Config.ArgsSource.TESTPATHS,
        getoption=lambda name, default: default,
        option=SimpleNamespace(collectonly=False),
    )
    session = SimpleNamespace(config=config, exitstatus=pytest.ExitCode.OK)
    plugin.pytest_sessionfinish(session)
    assert session.exitstatus == code
    assert ("not checked" in plugin.said[0]) == partly
    assert any("was not run" in line for line in plugin.said) != partly


@pytest.mark.parametrize(
    "option",
    ["ignore", "ignore_glob", "lf", "keyword", "markexpr", "deselect", "without_postgresql"],
)
def test_a_run_of_a_part_is_known_as_one(option: str, pytestconfig: pytest.Config) -> None:
    assert hasattr(pytestconfig.option, option)
    source = pytest.Config.ArgsSource.TESTPATHS
    config = SimpleNamespace(args_source=source, getoption=lambda name, _: name == option)
    assert is_part(config)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("asked", "code", "said"),
    [
        (("-n", "2"), 1, "was not run"),
        (("-n", "2", "-k", "one"), 0, "not checked"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_pytest_itself_fails_without_those_tests(
    tmp_path: Path, asked: tuple[str, ...], code: int, said: str
) -> None:
    """A project of two good tests, in which no hazard has the tests that it counts on."""
    (tmp_path / "pytest.ini").write_text("[pytest]\ntestpaths = tests\n", encoding="utf-8")
    (tmp_path / "tests").mkdir()
    for name in ("one", "two"):
        text = f"def test_{name}():\n    pass\n"
        (tmp_path / "tests" / f"test_{name}.py").write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "tests.conftest"]
    ran = subprocess.run(
        [*command, *asked],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ran.returncode, said in ran.stdout) == (code, True), ran.stdout + ran.stderr
