"""The soak in short; and that its judgement can fail: a leak, a lost entry, a fork, a fault."""

import asyncio
import base64
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import httpx
import pytest

from cds_service.audit.sqlite import SqliteStore
from tests.audit.conftest import append_all, entry
from tests.logs import VERIFIER, open_log
from tests.soak.__main__ import main
from tests.soak.asking import Ask
from tests.soak.judging import across, judged, table, within
from tests.soak.observed import Kept, Life, Observed
from tests.soak.running import Plan, Soak, kept_of
from tests.soak.verifying import verified

MB = 1_000_000


def life(*sizes: float, replica: int = 0, began: float = 0, exit_code: int | None = 0) -> Life:
    """A process that was seen once a second."""
    seen = [(float(at), round(size * MB)) for at, size in enumerate(sizes)]
    return Life(replica, began, seen, exit_code, asked=True)


def good() -> Observed:
    """A run in which all was well."""
    seen = Observed(seconds=90, entries=2, lives=[life(*[150] * 90), life(*[150] * 90)])
    seen.kept = [Kept(0, "a", "note 1"), Kept(1, "b", "note 2")]
    seen.told["recommendation", 200] = 2
    return seen


def bad(seen: Observed) -> list[str]:
    """What does not hold, by name."""
    return [each.name for each in judged(seen) if not each.good]


def test_a_run_in_which_all_was_well_is_good() -> None:
    assert bad(good()) == []
    assert "NO" not in table(good(), judged(good()))


@pytest.mark.parametrize(
    ("sizes", "share"),
    [
        ([150.0] * 90, 0.0),
        ([100.0 + at for at in range(30)] + [150.0] * 60, 0.0),  # only while it warms up
        ([150.0] * 45 + [165.0] * 45, 0.1),
        ([150.0, 300.0] * 45, 0.0),  # up and down: the median stays
    ],
)
def test_memory_is_judged_after_the_warm_up(sizes: list[float], share: float) -> None:
    grown = within(life(*sizes))
    assert grown is not None
    assert grown.share == pytest.approx(share)


def test_one_life_that_was_not_warm_yet_is_no_leak() -> None:
    seen = good()
    seen.lives.insert(1, life(*(150 + at * 0.25 for at in range(90))))
    assert bad(seen) == []


def test_processes_that_leak_are_found() -> None:
    seen = good()
    seen.lives = [life(*(150 + at * 0.25 for at in range(90)))] * 2  # 15 MB a minute
    assert bad(seen) == ["memory within a life"]


def test_what_grows_with_the_log_is_found() -> None:
    seen = good()
    seen.lives = [life(*[150 + 3 * n] * 90, began=90 * n) for n in range(6)]
    grown = across(seen.lives)
    assert grown is not None
    assert grown.share == pytest.approx(163.5 / 151.5 - 1)
    assert bad(seen) == ["memory from life to life"]


def test_lives_too_short_for_memory_are_told_as_such() -> None:
    seen = good()
    seen.lives = [life(100, 200, 300)]
    assert bad(seen) == []
    assert "not judged: too short" in table(seen, judged(seen))


def test_a_process_that_ended_by_itself_is_found() -> None:
    for exit_code, asked in ((1, True), (-9, True), (0, False), (None, False)):
        seen = good()
        seen.lives[0].exit_code, seen.lives[0].asked = exit_code, asked
        assert bad(seen) == ["no unexpected exit"]


def test_entries_that_nobody_asked_for_and_answers_without_one_are_found() -> None:
    seen = good()
    for entries in (1, 3):
        seen.entries = entries
        assert bad(seen) == ["no entry that nobody asked for"]
    seen.cut_off = 1
    assert bad(seen) == []


def test_a_run_that_asked_nothing_is_not_good() -> None:
    assert bad(Observed()) == ["answers as they must be", "no unexpected exit"]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = open_log(tmp_path / "log.db")
    yield made
    asyncio.run(made.close())


def kept(store: SqliteStore, *numbers: int) -> list[Kept]:
    """Record these, one after the other; what their callers keep."""
    found = []
    for number in numbers:
        made = entry(number)
        (receipt,) = append_all(store, [made])
        found.append(Kept(receipt.index, made.response_sha256, receipt.checkpoint))
    return found


def lost(store: SqliteStore, *acknowledged: Kept) -> list[str]:
    seen = Observed(kept=list(acknowledged))
    asyncio.run(verified(store, VERIFIER, seen))
    return [*seen.lost, *([seen.finding] if seen.finding else [])]


def test_what_was_acknowledged_is_in_the_log_and_proves(store: SqliteStore) -> None:
    assert lost(store, *kept(store, 1, 2, 3)) == []


def test_an_entry_that_is_not_what_was_answered_is_found(store: SqliteStore) -> None:
    first, second = kept(store, 1, 2)
    other = second._replace(answer=first.answer)
    assert lost(store, first, other) == ["entry 1 is not what was answered"]


def test_one_place_for_two_answers_is_found_but_not_a_retry(store: SqliteStore) -> None:
    (first,) = kept(store, 1)
    assert lost(store, first, first._replace(again=True)) == []
    assert lost(store, first, first) == ["entry 0 was acknowledged 2 times"]


def test_an_entry_that_was_lost_is_found(tmp_path: Path, store: SqliteStore) -> None:
    forgetful = open_log(tmp_path / "other.db")
    (gone,) = kept(store, 1)[-1:]
    found = lost(forgetful, gone)
    asyncio.run(forgetful.close())
    assert found[0] == "entry 0 is not in the log"
    assert "the log ends here" in found[1]


def test_a_fork_is_found(tmp_path: Path, store: SqliteStore) -> None:
    """Two replicas that answer from two logs under one key: each alone is in order."""
    other = open_log(tmp_path / "other.db")
    ours, theirs = kept(store, 1, 2), kept(other, 1, 3)
    asyncio.run(other.close())
    found = lost(store, ours[0], theirs[1])
    assert "entry 1 does not prove" in found or "entry 1 is not what was answered" in found
    assert "are not those of the checkpoint" in found[-1]


def heard(ask: Ask, status: int, **more: str) -> list[str]:
    """What is held against an answer."""
    soak = Soak(Plan(1, 1, 1), {})
    outcome = {"resourceType": "OperationOutcome"}
    soak._heard(ask, httpx.Response(status, json=outcome, headers=more))
    return soak.seen.wrong


def test_only_a_503_that_says_when_to_come_again_is_let_be() -> None:
    ask = Ask("recommendation", "POST", "/")
    due = {"cds-log-index": "0", "cds-decision-id": "d"}
    assert heard(ask, 200, **due) == heard(ask, 503, **{"retry-after": "5"}) == []
    for status in (400, 500, 502, 503):
        assert heard(ask, status) == [f"recommendation: {status}, due was (200,)"]
    assert heard(ask._replace(due=(400,)), 200)


def test_what_an_answer_acknowledges() -> None:
    headers = {"cds-log-checkpoint": base64.b64encode(b"note").decode(), "cds-log-index": "7"}
    answer = httpx.Response(200, content=b"{}", headers=headers)
    ask = Ask("recommendation", "POST", "/", answered=True)
    assert kept_of(ask, answer) == [Kept(7, sha256(b"{}").hexdigest(), "note")]
    assert kept_of(ask._replace(answered=False), answer) == [Kept(7, "", "note")]
    assert kept_of(ask, httpx.Response(200)) == []


def test_the_command_runs_and_is_content(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["--minutes", "0.05", "--rate", "10", "--restart-every", "2"])
    told = capsys.readouterr().out
    assert code == 0, told
    assert "| recommendation |" in told
    assert "| no unexpected exit | yes | 4 processes" in told
