"""Erasing on request and by retention: what was sent is gone, and the log says so."""

import asyncio
import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import orjson
import pytest

from cds_service.audit.record import ERASURE, Entry, Origin
from cds_service.audit.seal import Encrypted
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Logged, Query, Receipt
from cds_service.content.library import Library
from cds_service.errors import LogUnavailable
from cds_service.fhir.described import described
from cds_service.fhir.read_feedback import Feedback
from cds_service.service import Service, erasing
from tests.logs import entry_at, open_log

EXAMPLES = sorted(Path("examples").glob("*/request.json"))
NOW = datetime.fromisoformat("2026-11-28T09:00:00+02:00")
NAME = b"mv-infant-06"
"""Stands in the request and in the answer."""


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return open_log(tmp_path / "log.db")


def service_on(store: SqliteStore, days: int = 0, now: datetime = NOW) -> Service:
    protocol = Library().named("sick-young-infant|2024.1")
    return Service(
        protocol, store, base="http://cds-service.example/fhir", code_version="test",
        clock=lambda: now, retention_days=days,
    )  # fmt: skip


def recommended(service: Service, count: int = 1) -> list[int]:
    body = Path("examples/06-infection-unlikely/request.json").read_bytes()

    async def asked() -> list[int]:
        return [(await service.recommend(body)).index for _ in range(count)]

    return asyncio.run(asked())


def files(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in folder.glob("log.db*"))


def test_what_was_sent_is_in_no_file_after_it_was_erased(
    store: SqliteStore, tmp_path: Path
) -> None:
    service = service_on(store)
    (index,) = recommended(service)
    assert NAME in files(tmp_path)

    origin = Origin("marrow-vale", "tolm-ford")
    receipt = asyncio.run(service.erase(index, "asked for by the family", origin=origin))

    assert receipt is not None
    assert NAME not in files(tmp_path)
    said = entry_at(store, receipt.index)
    assert (said.kind, said.about, said.origin) == (ERASURE, index, origin)
    assert said.request == b'{"reason":"asked for by the family"}'
    assert asyncio.run(store.verify()).finding is None
    asyncio.run(store.close())
    assert NAME not in files(tmp_path)


def test_somebody_who_reads_keeps_it_there_only_as_long_as_he_reads(
    store: SqliteStore, tmp_path: Path
) -> None:
    service = service_on(store)
    (index,) = recommended(service)
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as reading:
        reading.execute("BEGIN")
        reading.execute("SELECT COUNT(*) FROM payload").fetchone()
        assert asyncio.run(service.erase(index, "while somebody reads")) is not None
        assert NAME in files(tmp_path)

    asyncio.run(store.ready())

    assert NAME not in files(tmp_path)
    asyncio.run(store.close())


def test_what_is_older_than_the_retention_is_erased(store: SqliteStore) -> None:
    recommended(service_on(store, now=NOW - timedelta(days=31)), 150)
    recommended(service_on(store, now=NOW - timedelta(days=29)), 3)
    service = service_on(store)

    assert asyncio.run(service.erase_old(30)) == 150
    assert asyncio.run(service.erase_old(30)) == 0

    assert asyncio.run(store.count(Query(kinds=(ERASURE,)))) == 150
    verified = asyncio.run(store.verify())
    assert (verified.finding, verified.erased) == (None, 150)
    assert [logged.index for logged in asyncio.run(store.find(Query(outcomes=("success",))))] == [
        152, 151, 150,
    ]  # fmt: skip
    asyncio.run(store.close())


def test_the_running_service_erases_once_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    outcomes = iter([LogUnavailable("full"), 3, 0, 0])
    waited: list[float] = []
    real = asyncio.sleep

    async def erase_old(days: int) -> int:
        asked.append(days)
        outcome = next(outcomes)
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    async def at_once(seconds: float) -> None:
        waited.append(seconds)
        await (real(3600) if len(asked) == 3 else real(0))

    async def run() -> None:
        monkeypatch.setattr(erasing.asyncio, "sleep", at_once)
        async with erasing.retention(30, erase_old):
            for _ in range(20):
                await real(0)

    asyncio.run(run())
    assert asked == [30, 30, 30]
    assert waited == [erasing.HOUR, erasing.DAY, erasing.DAY]


def test_without_a_retention_nothing_is_erased() -> None:
    async def erase_old(days: int) -> int:
        raise AssertionError(days)

    async def run() -> None:
        async with erasing.retention(0, erase_old):
            await asyncio.sleep(0)

    asyncio.run(run())


def recorded(example: Path, note: bool) -> Entry:
    protocol = Library().named("sick-young-infant|2024.1")
    service = Service(protocol, None, base="http://x.example", code_version="test")  # type: ignore[arg-type]
    return service.entry(example.read_bytes(), note=note)[0]


def test_an_answer_describes_itself_as_the_entry_does() -> None:
    for example in EXAMPLES[::5]:
        entry = recorded(example, note=False)
        assert described(entry.response) == (entry.patient, entry.outcome, entry.classes)
        assert entry.classes
        note = recorded(example, note=True)
        assert described(note.response).patient == note.patient


def test_an_encrypted_log_is_searched_and_erased(tmp_path: Path) -> None:
    store = open_log(tmp_path / "log.db", sealer=Encrypted([bytes(32)]))
    service = service_on(store)
    recommended(service, 2)
    entry = entry_at(store, 1)

    asyncio.run(service.erase(0, "asked for"))

    for query in (Query(patient=entry.patient), Query(decision_id=entry.decision_id)):
        assert [each.index for each in asyncio.run(store.find(query))] == [1]
    assert asyncio.run(store.verify()).finding is None
    asyncio.run(store.close())


def test_what_was_fed_back_about_an_entry_is_erased_with_it(
    store: SqliteStore, tmp_path: Path
) -> None:
    service = service_on(store)
    recommended(service, 2)
    said = [{"name": "outcome", "valueCode": "accepted"}, {"name": "by", "valueString": "Quill"}]
    body = orjson.dumps({"resourceType": "Parameters", "parameter": said})

    async def fed_back(index: int) -> None:
        async def about(_: Feedback) -> Logged:
            logged = await store.get(index)
            assert logged is not None
            return logged

        await service.feedback(body, about)

    async def run() -> Receipt | None:
        for index in [0] * 60 + [1]:
            await fed_back(index)
        await service.erase(30, "sent twice")  # one of them alone, before
        return await service.erase(0, "asked for by the family")

    patient = entry_at(store, 0).patient
    receipt = asyncio.run(run())

    left = asyncio.run(store.find(Query(patient=patient)))
    assert [each.index for each in left] == [62, 1]
    assert receipt is not None
    assert entry_at(store, receipt.index).about == 0
    verified = asyncio.run(store.verify())
    assert (verified.finding, verified.erased) == (None, 61)
    asyncio.run(store.close())
