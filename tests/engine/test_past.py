"""Doses that were due and that the record says nothing of: each gap counts (section 3; derived)."""

from datetime import datetime, timedelta

import pytest

from cds_service.engine.past import Past, unrecorded_doses
from tests.engine.test_edges import AT

DAY = timedelta(days=1)


def record(*days: int, some_time: int = 0) -> Past:
    kept = tuple(AT + day * DAY for day in sorted(days, reverse=True))
    return Past(kept, (), (), some_time)


@pytest.mark.parametrize(
    ("days", "begun", "now", "open_doses"),
    [
        ((0, 1, 2), None, 3, 0),
        ((0, 2, 4), None, 5, 2),  # one in each of two gaps
        ((0, 3, 5), None, 6, 3),
        ((2,), AT, 3, 2),  # two between the order and what was recorded first
        ((), AT, 2, 2),
    ],
)
def test_every_gap_is_counted(
    days: tuple[int, ...], begun: datetime | None, now: int, open_doses: int
) -> None:
    assert unrecorded_doses(record(*days), begun, DAY, AT + now * DAY) == open_doses


def test_a_dose_missed_nobody_knows_when_fills_one_gap() -> None:
    now = AT + 5 * DAY
    assert unrecorded_doses(record(0, 2, 4, some_time=1), None, DAY, now) == 1
    assert unrecorded_doses(record(0, 2, 4, some_time=3), None, DAY, now) == 0
