"""A secured service over a log of its own, with callers of two invented organisations."""

import pytest

from cds_service.service import Service
from tests.access.tokens import access, client, server
from tests.web.conftest import (
    _everything_is_captured,
    pytest_runtest_makereport,
    service,
    store,
)

from .asking import Asking

__all__ = ["_everything_is_captured", "pytest_runtest_makereport", "service", "store"]


@pytest.fixture
def asking(service: Service) -> Asking:
    other = server(issuer="https://login.tolm.example", tenant="tolm")
    return Asking.of(service, access=access(client(), server(), other))
