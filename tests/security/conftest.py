"""A secured service over a log of its own, with callers of two invented organisations."""

from collections.abc import Generator

import pytest

from cds_service.service import Service
from tests.access.tokens import access, client, server
from tests.web.canaries import check_sections, listen
from tests.web.conftest import service, store

from .asking import Asking

__all__ = ["service", "store"]


@pytest.fixture(autouse=True, scope="session")
def _everything_is_captured() -> None:
    listen()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """As in tests/web: a test after which personal data is in the output or in a log line fails."""
    report = yield
    here = item.path.parent.name == "security"
    if here and report.passed and (faults := check_sections(report.sections)):
        report.outcome, report.longrepr = "failed", "\n".join(faults)
    return report


@pytest.fixture
def asking(service: Service) -> Asking:
    other = server(issuer="https://login.tolm.example", tenant="tolm")
    return Asking.of(service, access=access(client(), server(), other))
