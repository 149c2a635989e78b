"""What was worked out once is kept, and never for the wrong infant (derived, no source).

An answer may come out of the memory of earlier answers; it must be the answer that a service that
was just started gives.
"""

from collections.abc import Hashable
from typing import Any, NoReturn

import pytest

from cds_service.content.load import load
from cds_service.content.memo import Memo
from cds_service.engine import decide
from tests.engine.cases import every_case

CASES = list(every_case())
PROTOCOL = load()


class Closed(Memo):
    """A memory that nothing more may be written to."""

    def __setitem__(self, key: Hashable, value: Any) -> NoReturn:
        raise AssertionError(f"worked out again: {key}")


def test_what_was_worked_out_for_an_infant_is_not_worked_out_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = [decide(told.case, PROTOCOL) for told in CASES]
    monkeypatch.setitem(vars(PROTOCOL), "memo", Closed(PROTOCOL.memo))
    monkeypatch.setitem(vars(PROTOCOL), "made", Closed(PROTOCOL.made))
    assert [decide(told.case, PROTOCOL) for told in CASES] == before


def test_an_infant_is_told_the_same_after_all_the_others_as_alone() -> None:
    used, fresh = load(), load()
    for told in CASES:
        decide(told.case, used)
    for told in CASES:
        fresh.memo.clear()
        after, alone = decide(told.case, used), decide(told.case, fresh)
        assert (after.plan, after.assessment) == (alone.plan, alone.assessment), told.name
