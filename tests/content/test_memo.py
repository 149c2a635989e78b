"""What is kept stays bounded, and what is asked for again and again is not worked out again."""

import pytest

from cds_service.content.memo import Memo


@pytest.fixture
def memo(monkeypatch: pytest.MonkeyPatch) -> Memo:
    monkeypatch.setattr(Memo, "LIMIT", 3)
    return Memo()


def test_nothing_is_known_at_first(memo: Memo) -> None:
    assert memo["a"] is None
    assert len(memo) == 0
    memo["a"] = 1
    assert memo["a"] == 1


def test_what_nobody_asks_for_is_let_go_of(memo: Memo) -> None:
    memo["rare"] = "made once"
    for number in range(6):  # two generations
        memo[number] = number
    assert memo["rare"] is None


def test_what_is_asked_for_again_and_again_stays(memo: Memo) -> None:
    memo["often"] = "made once"
    for number in range(100):
        memo[number] = number
        assert memo["often"] == "made once"
        assert len(memo) <= Memo.LIMIT


def test_emptied_it_knows_nothing(memo: Memo) -> None:
    for number in range(5):
        memo[number] = number
    memo.clear()
    assert [memo[number] for number in range(5)] == [None] * 5
