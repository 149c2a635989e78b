"""At the end of a full run: every test that a hazard counts on has passed in it.

And the PostgreSQL server of the tests: real, private, started once for each process of tests; and
a log of its own for each test of a command.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from cds_service.content.hazards import hazards
from cds_service.content.load import load, packaged_folder
from cds_service.errors import ContentError
from tests.measuring import Measuring
from tests.postgresql.server import NotInstalled, Server, running
from tests.ran import faults

# No test is judged by the clock: the machine may be busy with others.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

_PROTOCOL = "sick-young-infant"


class Hazards:
    """Remembers what ran; `said` is what the end of the run says of the hazards."""

    def __init__(self) -> None:
        self.collected: set[str] = set()
        self.passed: set[str] = set()
        self.partly = False
        self.said: list[str] = []

    def pytest_deselected(self, items: list[pytest.Item]) -> None:
        self.partly = True

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        self.collected |= {item.nodeid for item in session.items}

    @pytest.hookimpl(optionalhook=True)
    def pytest_xdist_node_collection_finished(self, node: object, ids: list[str]) -> None:
        """With several processes each worker collects; the tests themselves run there."""
        self.collected |= set(ids)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" and report.passed:
            self.passed.add(report.nodeid)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if self.partly or is_part(session.config) or session.config.option.collectonly:
            self.said = ["hazards: not checked, only a part of the tests ran"]
            return
        try:
            known = hazards(packaged_folder(_PROTOCOL), load())
            found = faults(known, self.collected, self.passed)
            self.said = found or [f"hazards: all tests of all {len(known)} passed"]
        except ContentError as error:
            self.said = found = list(error.findings)
        if found and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        for line in self.said:
            terminalreporter.write_line(line)


def is_part(config: pytest.Config) -> bool:
    """Whether this run was asked for only a part of the tests."""
    less = (
        "ignore", "ignore_glob", "lf", "keyword", "markexpr", "deselect", "without_postgresql",
    )  # fmt: skip
    asked = any(config.getoption(name, None) for name in less)
    return asked or config.args_source is not pytest.Config.ArgsSource.TESTPATHS


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--without-postgresql", action="store_true", help="leave out what needs a PostgreSQL server"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--without-postgresql"):
        left_out = [item for item in items if item.get_closest_marker("postgresql")]
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Server]:
    """A running server; a test that stops it starts it again. Mark the tests `postgresql`."""
    try:
        with running() as server:
            yield server
    except NotInstalled as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture
def own_log(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No setting of whoever runs the tests, and a log that is in the folder of the test."""
    for name in [name for name in os.environ if name.startswith("CDS_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}/log.db")


def pytest_configure(config: pytest.Config) -> None:
    if config.pluginmanager.hasplugin("_cov"):  # pytest-cov, when something is to be measured
        config.pluginmanager.register(Measuring(), "measuring")
    if hasattr(config, "workerinput"):
        return  # the process that gathers what the workers report sees it all
    config.pluginmanager.register(Hazards(), "hazards")
