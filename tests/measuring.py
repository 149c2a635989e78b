"""Which tests are measured, and in which order: measuring all of them would take minutes more.

They run first, so that nothing that others have left behind in memory hides a line from them.
"""

import pytest
from coverage import Coverage

_MEASURED = (
    "cds_service/", "tests/content/", "tests/engine/",
    "tests/audit/test_note", "tests/audit/test_proofs", "tests/audit/test_tiles",
    "tests/audit/test_tree", "tests/audit/test_verify",
    "tests/fhir/test_drafts", "tests/fhir/test_write_note", "tests/web/test_hooks",
)  # fmt: skip
"""Tests that together reach every line of the core. Where the gate misses a line that a test does
reach, the file of that test has its place here."""
_LONG = (
    "tests/engine/test_everything_said", "tests/engine/test_layer_properties",
    "tests/engine/test_memory", "tests/engine/test_properties",
    "tests/engine/test_published_doses", "tests/engine/test_said_in_doubt",
)  # fmt: skip
"""Those among them that take long and reach nothing that the others do not."""


def is_measured(nodeid: str) -> bool:
    """Whether a test is measured when the gate is asked for (`--cov`)."""
    return nodeid.startswith(_MEASURED) and not nodeid.startswith(_LONG)


class Measuring:
    """Stops to measure before a test that is not measured, with all that it sets up."""

    def __init__(self) -> None:
        self._stopped: list[Coverage] = []

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items.sort(key=lambda item: not is_measured(item.nodeid))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> None:
        if is_measured(item.nodeid):
            while self._stopped:
                self._stopped.pop().start()
            return
        # In a process of pytest-xdist there are two, and when one stops the other goes on.
        while (running := Coverage.current()) is not None:
            running.stop()
            self._stopped.append(running)
