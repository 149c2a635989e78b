"""A server that fails: nobody is answered, nothing is lost, and the log recovers by itself."""

import asyncio
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
import pytest

from cds_service.audit import postgres_session, postgres_witness, postgres_write
from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.postgres_session import SCHEMA, Connection
from cds_service.audit.postgres_witness import keep_note
from cds_service.errors import LogUnavailable
from tests.logs import NAME, VERIFIER, open_database
from tests.postgresql.server import Server

from .conftest import append_all, entry

pytestmark = pytest.mark.postgresql
Connected = Callable[..., PostgresStore]
KILLS = int(os.environ.get("CDS_TEST_KILLS", "100"))
STOPS = max(4, KILLS // 25)
AGAIN = 10
"""Seconds until it works again, on whatever machine: without that it would be 20 and more."""
CUT = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'cds-service'"
)
KILLING = Path(__file__).with_name("killing.py")


def refused(store: PostgresStore, number: int = 1) -> None:
    with pytest.raises(LogUnavailable):
        append_all(store, [entry(number)])


def whole(store: PostgresStore, kept: list[Checkpoint]) -> int:
    """The size of the log, once every checkpoint that anybody got vouches for it."""
    found = asyncio.run(store.verify(kept))
    assert found.finding is None
    return found.size


def test_a_server_that_is_down_gives_no_answer_and_the_log_recovers(
    postgresql: Server, connected: Connected
) -> None:
    store = connected()
    append_all(store, [entry(1)])
    asyncio.run(store.get(0))

    postgresql.stop("immediate")
    try:
        refused(store)
        for ask in (store.ready, store.size, store.checkpoint):
            with pytest.raises(LogUnavailable):
                asyncio.run(ask())
        with pytest.raises(LogUnavailable, match="cannot be opened"):
            open_database(postgresql.url("postgres"))
    finally:
        postgresql.start()

    assert append_all(store, [entry(2)])[0].index == 1
    asyncio.run(store.ready())
    assert asyncio.run(store.size()) == 2


def test_connections_that_are_cut_are_opened_again(
    postgresql: Server, connected: Connected
) -> None:
    store = connected()
    append_all(store, [entry(1)])
    asyncio.run(store.get(0))

    postgresql.run(CUT)

    assert asyncio.run(store.size()) == 1
    assert append_all(store, [entry(3)])[0].index == 1


@contextmanager
def every_connection_taken(server: Server) -> Iterator[None]:
    taken = []
    try:
        with suppress(psycopg.OperationalError):
            while True:
                taken.append(psycopg.connect(server.url("postgres")))
        yield
    finally:
        for connection in taken:
            connection.close()


def test_when_no_connection_is_left_there_is_no_answer(
    postgresql: Server, connected: Connected
) -> None:
    store = connected()
    store._drop()  # as after every failure: it needs a new one
    with every_connection_taken(postgresql):
        refused(store)
        with pytest.raises(LogUnavailable, match="too many"):
            open_database(postgresql.url("postgres"))

    assert append_all(store, [entry(2)])[0].index == 0


def test_more_questions_than_connections_wait_for_their_turn(connected: Connected) -> None:
    store = connected()
    append_all(store, [entry(number) for number in range(50)])

    async def all_at_once() -> list[int]:
        found = await asyncio.gather(*(store.get(number % 50) for number in range(200)))
        return [each.index for each in found if each]

    assert asyncio.run(all_at_once()) == [number % 50 for number in range(200)]


@pytest.mark.parametrize("committed", [True, False])
def test_after_a_commit_of_unknown_outcome_the_log_is_read_anew(
    connected: Connected, monkeypatch: pytest.MonkeyPatch, committed: bool
) -> None:
    store = connected()
    kept = [each.checkpoint for each in append_all(store, [entry(1)])]
    real = postgres_write.commit

    def broken(connection: Connection) -> None:
        if committed:
            real(connection)
        connection.close()
        raise psycopg.OperationalError("the connection was lost during COMMIT")

    with monkeypatch.context() as patch:
        patch.setattr(postgres_write, "commit", broken)
        refused(store, 2)
    receipt = append_all(store, [entry(3)])[0]

    assert receipt.index == 2 if committed else 1
    assert whole(
        store, [open_checkpoint(note, VERIFIER) for note in (*kept, receipt.checkpoint)]
    ) == (3 if committed else 2)


@pytest.mark.parametrize("before", ["SELECT 1 / 0", "ROLLBACK"])
def test_a_commit_of_nothing_is_no_commit(
    connected: Connected, monkeypatch: pytest.MonkeyPatch, before: str
) -> None:
    store = connected()
    real = postgres_write.commit

    def commit(connection: Connection) -> None:
        with suppress(psycopg.errors.DivisionByZero):
            connection.execute(before.encode())
        real(connection)

    with monkeypatch.context() as patch:
        patch.setattr(postgres_write, "commit", commit)
        refused(store)

    assert append_all(store, [entry(2)])[0].index == 0


def test_what_a_standby_did_not_confirm_is_not_acknowledged(
    postgresql: Server, connected: Connected
) -> None:
    store = connected()
    append_all(store, [entry(1)])
    postgresql.run(
        "ALTER SYSTEM SET synchronous_standby_names = 'nobody'", "SELECT pg_reload_conf()"
    )
    waiting = (
        "SELECT pg_cancel_backend(pid) FROM pg_stat_activity WHERE wait_event = 'SyncRep'"
        " AND application_name = 'cds-service'"
    )
    try:
        postgresql.until("synchronous_standby_names", "nobody")
        time.sleep(0.5)  # until the sessions that are open have read it too
        canceller = threading.Timer(0.5, postgresql.run, [waiting])
        canceller.start()
        refused(store, 2)
        canceller.join()
    finally:
        postgresql.run("SET synchronous_commit = local", "ALTER SYSTEM RESET ALL")
        postgresql.run("SELECT pg_reload_conf()")

    # It was committed here all the same, and what follows knows of it.
    assert append_all(store, [entry(3)])[0].index == 2


def test_another_that_holds_the_lock_too_long_is_not_waited_for(
    database: str, connected: Connected, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(postgres_session.LIMITS, "lock_timeout", "200ms")
    store = connected()
    append_all(store, [entry(1)])
    with psycopg.connect(database) as other:
        other.execute(f"SELECT pg_advisory_xact_lock({postgres_write.SEQUENCER})")
        refused(store)

    assert append_all(store, [entry(2)])[0].index == 1


def test_a_replica_that_hangs_within_a_commit_is_cut_off(
    database: str, connected: Connected, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = connected()
    append_all(store, [entry(1)])
    # Of the hanging one only: on a slow machine the store might be cut off itself.
    monkeypatch.setitem(postgres_session.LIMITS, "idle_in_transaction_session_timeout", "200ms")
    hanging = postgres_session.connect(database)
    postgres_write.begin(hanging, 1)

    assert append_all(store, [entry(2)])[0].index == 1

    with pytest.raises(psycopg.errors.IdleInTransactionSessionTimeout):
        postgres_write.commit(hanging)
    hanging.close()


def test_a_server_that_hangs_is_not_waited_for_for_ever(
    postgresql: Server, connected: Connected, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = connected()
    append_all(store, [entry(1)])
    # Answered when the checkpoint behind the entry is kept too: so the connection is at rest.
    asyncio.run(store.ready())
    monkeypatch.setattr(postgres_session, "PATIENCE", 0.3)
    with psycopg.connect(postgresql.url("postgres")) as asked:
        found = asked.execute(
            "SELECT pid FROM pg_stat_activity WHERE application_name = 'cds-service'"
        ).fetchall()
    try:
        for (pid,) in found:
            os.kill(pid, signal.SIGSTOP)
        began = time.monotonic()
        refused(store)
        assert time.monotonic() - began < 15  # of the 25 that are usual
    finally:
        for (pid,) in found:
            os.kill(pid, signal.SIGCONT)

    monkeypatch.undo()
    assert append_all(store, [entry(3)])[0].index in (1, 2)


def test_a_session_that_hangs_behind_an_entry_costs_the_next_one_nothing(
    connected: Connected, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody waits for the checkpoint that is kept then; the next entry takes another session."""
    stopped: list[int] = []

    def hang_once(connection: Connection, note: str) -> None:
        if not stopped:
            stopped.append(connection.info.backend_pid)
            os.kill(stopped[0], signal.SIGSTOP)
        with monkeypatch.context() as hasty:
            hasty.setattr(postgres_session, "PATIENCE", 0.3)
            keep_note(connection, note)

    monkeypatch.setattr(postgres_witness, "keep_note", hang_once)
    store = connected()
    try:
        first, second = (append_all(store, [entry(number)])[0] for number in (1, 2))
    finally:
        for pid in stopped:
            os.kill(pid, signal.SIGCONT)

    assert stopped
    assert (first.index, second.index) == (0, 1)
    assert whole(store, [open_checkpoint(second.checkpoint, VERIFIER)]) == 2


def test_a_log_that_was_set_back_is_not_continued(connected: Connected, database: str) -> None:
    store = connected()
    append_all(store, [entry(number) for number in range(3)])
    with psycopg.connect(database, autocommit=True) as owner:
        owner.execute(f"SET search_path = {SCHEMA}; SET session_replication_role = replica")
        owner.execute("DELETE FROM payload WHERE position = 2")
        owner.execute("DELETE FROM entry WHERE position = 2")
        owner.execute("DELETE FROM witness")  # a backup has its own

    refused(store)
    with pytest.raises(LogUnavailable):
        asyncio.run(store.checkpoint())

    # Another replica, which knows nothing of the lost entry, makes the log as long as before.
    other = connected()
    append_all(other, [entry(number) for number in range(5)])
    refused(store)
    asyncio.run(other.close())


def test_kill_9_of_the_service_loses_no_acknowledged_entry(
    connected: Connected, database: str
) -> None:
    command = [sys.executable, str(KILLING), database, str(KILLS // 2), "3"]
    output = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True).stdout

    words = [line.split() for line in output.splitlines()]
    answers = [line for line in words if line[0] != "opened"]
    opened = [float(line[1]) for line in words if line[0] == "opened"]
    acknowledged = [int(index) for index, _, _ in answers]
    kept = [Checkpoint(NAME, int(size), bytes.fromhex(root)) for _, size, root in answers]

    assert len(acknowledged) == len(set(acknowledged)) >= KILLS // 10
    assert max(acknowledged) < whole(connected(), kept)
    assert sorted(opened)[len(opened) * 95 // 100] < 3  # the rest is for what else the machine does


class Clients:
    """Eight for each store, who append until told to stop, and what was acknowledged to them."""

    def __init__(self, *stores: PostgresStore) -> None:
        self.indexes: list[int] = []
        self.kept: list[Checkpoint] = []
        self._stopped = threading.Event()
        self._threads = [
            threading.Thread(target=asyncio.run, args=[self._all(store)]) for store in stores
        ]

    def __enter__(self) -> "Clients":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        for thread in self._threads:
            thread.join()

    async def _all(self, store: PostgresStore) -> None:
        await asyncio.gather(*(self._one(store) for _ in range(8)))

    async def _one(self, store: PostgresStore) -> None:
        while not self._stopped.is_set():
            try:
                receipt = await store.append(entry(len(self.indexes), 2_000))
            except LogUnavailable:
                await asyncio.sleep(0.02)
            else:
                self.indexes.append(receipt.index)
                self.kept.append(open_checkpoint(receipt.checkpoint, VERIFIER))

    def seconds_to_the_next(self) -> float:
        """Until somebody is answered again."""
        began, so_far = time.monotonic(), len(self.indexes)
        while len(self.indexes) == so_far and time.monotonic() - began < 20:
            time.sleep(0.01)
        return time.monotonic() - began


def test_a_server_that_is_stopped_under_load_loses_no_acknowledged_entry(
    postgresql: Server, connected: Connected
) -> None:
    back = []
    with Clients(connected(), connected()) as clients:
        for at in range(STOPS):
            time.sleep(0.1 + 0.2 * (at % 3))
            postgresql.stop("immediate")
            postgresql.start()
            back.append(clients.seconds_to_the_next())

    assert len(clients.indexes) == len(set(clients.indexes)) > STOPS
    assert max(clients.indexes) < whole(connected(), clients.kept)
    assert max(back) < AGAIN


def test_connections_that_are_cut_under_load_lose_no_acknowledged_entry(
    postgresql: Server, connected: Connected
) -> None:
    with Clients(connected(), connected()) as clients:
        for _ in range(STOPS * 3):
            time.sleep(0.05)
            postgresql.run(CUT)
            assert clients.seconds_to_the_next() < AGAIN

    assert len(clients.indexes) == len(set(clients.indexes)) > STOPS
    assert max(clients.indexes) < whole(connected(), clients.kept)
