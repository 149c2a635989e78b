"""A pytest plugin for mutation testing: no test finds what an earlier one left in memory.

Doses and compiled conditions are made once for each protocol. A mutant that is switched on later
would never be asked.
"""

import gc

from cds_service.content.treatment import Protocol
from cds_service.engine import phrase


def pytest_runtest_setup() -> None:
    for protocol in _protocols():
        protocol.memo.clear()
        protocol.made.clear()
    phrase.day.cache_clear()


def _protocols() -> list[Protocol]:
    if not _FOUND:
        _FOUND.extend(each for each in gc.get_objects() if isinstance(each, Protocol))
    return _FOUND


_FOUND: list[Protocol] = []
