"""A log to look at: the stories of examples/ as 11 weeks of two invented clinics would ask them.

Made by the real service with a clock of its own: recommendations with varied weights, feedback,
cards, a referral note, one entry that was erased (6) and one that was altered below the service
(9); the newest is the first story as it stands in examples/.
"""

import asyncio
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson

from cds_service.audit.keys import make_key
from cds_service.audit.record import Origin
from cds_service.audit.sqlite import SqliteStore
from cds_service.content.load import load
from cds_service.service import Service
from tests.examples import BASE, FOLDER, STORIES
from tests.logs import open_served

COUNT = 240
"""Recommendations with a plan."""
ERASED, ALTERED = 6, 9
BEGUN = datetime(2026, 9, 7, 6, 30, tzinfo=UTC)
CLINICS = ("marrow-vale", "tolm-ford")
HOOK = "sick-young-infant-plan"
WEIGHT = "29463-7"
REASONS = (
    "The mother cannot travel before Monday",
    "Seen by the paediatrician, who knows the baby",
    "The baby had this reaction before",
)


def make(path: Path) -> None:
    """Make the log in this file, with its key beside it."""
    make_key(path.with_name(f"{path.name}.key"))
    store = open_served(path)
    asyncio.run(_filled(store))
    _alter(path)


async def _filled(store: SqliteStore) -> None:
    chance = random.Random(20)
    now = BEGUN
    service = Service(load(), store, base=BASE, code_version="demo", clock=lambda: now)
    for number, body in enumerate(_requests(chance)):
        now += timedelta(minutes=chance.randint(40, 900))
        origin = Origin("", CLINICS[number % 3 == 0])
        answer = await service.recommend(body, origin=origin)
        if number % 5 == 0:
            await _fed_back(service, answer.index, origin, chance)
        if number == COUNT // 2:
            await service.recommend(body, origin=origin, note=True)
            hook = (FOLDER / "hooks-plan" / "call.json").read_bytes()
            await service.hook(hook, HOOK, origin=origin)
    await service.erase(ERASED, "asked for by the family", origin=Origin("", CLINICS[0]))
    body = (FOLDER / STORIES[0] / "request.json").read_bytes()
    answer = await service.recommend(body, origin=Origin("", CLINICS[0]))
    await _fed_back(service, answer.index, Origin("", CLINICS[0]), chance)
    await store.close()


def _requests(chance: random.Random) -> Iterator[bytes]:
    bodies = [orjson.loads((FOLDER / story / "request.json").read_bytes()) for story in STORIES]
    for _ in range(COUNT):
        body = chance.choice(bodies)
        yield orjson.dumps(_weighed(body, chance.uniform(0.85, 1.15)))


def _weighed(part: object, factor: float) -> object:
    """The same request of a baby who weighs so many times as much."""
    if isinstance(part, list):
        return [_weighed(each, factor) for each in part]
    if not isinstance(part, dict):
        return part
    if "valueQuantity" in part and WEIGHT in str(part.get("code")):
        quantity = part["valueQuantity"]
        return part | {"valueQuantity": quantity | {"value": round(quantity["value"] * factor, 2)}}
    return {name: _weighed(each, factor) for name, each in part.items()}


async def _fed_back(service: Service, index: int, origin: Origin, chance: random.Random) -> None:
    said: list[dict[str, object]] = [
        {"name": "outcome", "valueCode": "accepted"},
        {"name": "by", "valueReference": {"reference": "Practitioner/7", "display": "Nurse Pell"}},
    ]
    if chance.random() < 0.4:
        said[0]["valueCode"] = "overridden"
        said.append({"name": "reason", "valueString": chance.choice(REASONS)})
    logged = await service.store.get(index)
    assert logged is not None

    async def about(_: object) -> object:
        return logged

    body = orjson.dumps({"resourceType": "Parameters", "parameter": said})
    await service.feedback(body, about, origin=origin)  # type: ignore[arg-type]


def _alter(path: Path) -> None:
    """Change an answer in the file, as somebody with the right to write there could."""
    with closing(sqlite3.connect(path)) as log, log:
        (guard,) = log.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'payload_update'"
        ).fetchone()
        log.execute("DROP TRIGGER payload_update")
        log.execute(
            "UPDATE payload SET response"
            " = CAST(replace(CAST(response AS TEXT), '2026', '2025') AS BLOB) WHERE position = ?",
            (ALTERED,),
        )
        log.execute(guard)
