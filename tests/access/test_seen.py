"""Used tokens: each counts once, in both stores, by whichever process."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from pathlib import Path

import pytest

from cds_service.access.seen import Seen, SqliteSeen
from cds_service.access.seen_postgres import PostgresSeen
from cds_service.audit.postgres_session import SCHEMA
from cds_service.errors import LogUnavailable
from tests.logs import open_database

Opens = Callable[..., Seen]
NOW = 1_772_000_000.0


def mark(number: int) -> bytes:
    return sha256(number.to_bytes(8, "big")).digest()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def opens(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Opens]:
    made: list[Seen] = []
    url = ""
    if request.param == "postgresql":
        server = request.getfixturevalue("postgresql")
        url = server.url("postgres")
        open_database(url)  # the table is of the log's layout

    def opened(clock: Callable[[], float] = lambda: NOW) -> Seen:
        seen = PostgresSeen(url, clock=clock) if url else SqliteSeen(tmp_path / "used", clock=clock)
        made.append(seen)
        return seen

    yield opened
    for each in made:
        each.close()
    if url:
        server.run(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")


def test_a_token_counts_once_also_for_those_who_come_later(opens: Opens) -> None:
    seen = opens()

    assert seen.first(mark(1), int(NOW) + 300)
    assert not seen.first(mark(1), int(NOW) + 300)
    other = opens()
    assert not other.first(mark(1), int(NOW) + 300)
    assert other.first(mark(2), int(NOW) + 300)
    assert not seen.first(mark(2), int(NOW) + 300)


def test_of_many_at_once_one_is_the_first(opens: Opens) -> None:
    several = [opens() for _ in range(3)]

    with ThreadPoolExecutor(8) as pool:
        told = list(
            pool.map(lambda at: several[at % 3].first(mark(at // 24), int(NOW) + 300), range(240))
        )

    assert sum(told) == 10


def test_what_has_expired_is_cleared_away(opens: Opens) -> None:
    time = [NOW]
    seen = opens(lambda: time[0])
    seen.first(mark(1), int(NOW) + 10)
    seen.first(mark(2), int(NOW) + 300)

    time[0] += 61
    assert seen.first(mark(3), int(NOW) + 300)
    # It would be refused by its time anyway.
    assert seen.first(mark(1), int(NOW) + 10)
    assert not seen.first(mark(2), int(NOW) + 300)


def test_a_killed_process_has_not_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "used"
    code = (
        "import os, sys; from pathlib import Path;"
        "from cds_service.access.seen import SqliteSeen;"
        "seen = SqliteSeen(Path(sys.argv[1]));"
        "assert seen.first(bytes(32), 4_000_000_000); os.kill(os.getpid(), 9)"
    )
    killed = subprocess.run([sys.executable, "-c", code, str(path)], check=False)

    assert killed.returncode == -9
    seen = SqliteSeen(path)
    assert not seen.first(bytes(32), 4_000_000_000)
    assert (path.stat().st_mode & 0o077) == 0
    seen.close()


def test_a_list_that_cannot_be_written_lets_nobody_through(tmp_path: Path) -> None:
    seen = SqliteSeen(tmp_path / "used")
    seen.close()

    with pytest.raises(LogUnavailable, match="used tokens"):
        seen.first(mark(1), int(NOW))
    (tmp_path / "folder").mkdir()
    with pytest.raises(LogUnavailable, match="used tokens"):
        SqliteSeen(tmp_path / "folder")


@pytest.mark.postgresql
def test_when_the_database_comes_back_it_goes_on(opens: Opens) -> None:
    seen = opens()
    seen.first(mark(1), int(NOW) + 300)
    if isinstance(seen, PostgresSeen):
        assert seen._connection is not None
        seen._connection.close()
        assert not seen.first(mark(1), int(NOW) + 300)
