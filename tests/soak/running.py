"""Runs the replicas, asks at a steady rate, restarts, and writes down what is seen."""

import asyncio
import base64
import os
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import NamedTuple

import httpx
import psutil

from cds_service.audit.keys import load_signer, make_key
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Store
from tests.postgresql.server import running as postgresql
from tests.replicas import Replica
from tests.soak.asking import Ask, Mix, warming
from tests.soak.observed import Kept, Life, Observed

REPLICAS = 2
PATIENCE = 60
"""Seconds for one answer."""
TRIES = 5
WARMED = 60
"""Seconds of a life from which on its memory is judged, and warmed up therefore."""
NAME = "cds-service.example/fhir"
Verify = Callable[[Store, Verifier, Observed], Awaitable[None]]


class Plan(NamedTuple):
    """How long, how many requests a second, how often a restart (all in seconds), which draw."""

    seconds: float
    rate: float
    restart_every: float
    seed: int = 1


@contextmanager
def stored(store: str, folder: Path) -> Iterator[str]:
    """The address of an empty log of that kind."""
    if store == "sqlite":
        yield f"sqlite:///{folder}/log.db"
        return
    with postgresql() as server:
        yield server.url("postgres")


def opened(address: str, signer: Signer) -> Store:
    """The log, from outside the service."""
    if address.startswith("sqlite:"):
        return SqliteStore(Path(address.removeprefix("sqlite:///")), signer)
    return PostgresStore(address, signer)


def soaked(plan: Plan, store: str, folder: Path, verify: Verify) -> Observed:
    """Run it and look at the log afterwards; what was seen."""
    key = folder / "signing.key"
    make_key(key)
    signer = load_signer(NAME, [key])
    with stored(store, folder) as address:
        clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
        ours = {"CDS_DATABASE_URL": address, "CDS_LOG_KEY_FILE": str(key)}
        soak = Soak(plan, clean | ours)
        try:
            asyncio.run(soak.run())
        finally:
            soak.close()
        asyncio.run(
            _look(opened(address, signer), Verifier(signer.verifier_keys), soak.seen, verify)
        )
    return soak.seen


async def _look(store: Store, verifier: Verifier, seen: Observed, verify: Verify) -> None:
    try:
        await verify(store, verifier, seen)
    finally:
        await store.close()


class Soak:
    """The replicas, and what was seen of them."""

    def __init__(self, plan: Plan, environment: dict[str, str]) -> None:
        self.seen = Observed()
        self._plan, self._mix = plan, Mix(plan.seed)
        self._replicas = [Replica(environment) for _ in range(REPLICAS)]
        self._living: dict[int, Life] = {}
        self._began = time.monotonic()

    async def run(self) -> None:
        """All of it; at the end every process has been stopped."""
        for number in range(REPLICAS):
            await self._start(number)
        self._began = time.monotonic()
        sampling, restarting = map(asyncio.create_task, (self._sample(), self._restart()))
        limits = httpx.Limits(max_connections=None, max_keepalive_connections=16)
        async with httpx.AsyncClient(timeout=PATIENCE, limits=limits) as client:
            async with asyncio.TaskGroup() as calls:
                await self._ask_on(client, calls)
            self.seen.seconds = self._now
            await restarting  # one that was begun is finished
            for number in range(REPLICAS):
                await self._remember_size(client, number)
        sampling.cancel()
        for number in range(REPLICAS):
            await asyncio.to_thread(self._stop, number)

    def close(self) -> None:
        """Leave no process behind, whatever happened."""
        for replica in self._replicas:
            replica.stop("kill")

    @property
    def _now(self) -> float:
        return time.monotonic() - self._began

    async def _start(self, number: int) -> None:
        """Start it, and let it remember what it will remember."""
        replica = self._replicas[number]
        await asyncio.to_thread(replica.start)
        life = self._living[number] = Life(number, self._now)
        self.seen.lives.append(life)
        if self._plan.restart_every < WARMED:
            return
        async with httpx.AsyncClient(base_url=replica.address, timeout=PATIENCE) as client:
            for ask in chain(warming(), self._mix.seen_again()):
                self._heard(ask, await self._sent(client, ask, ask.path))

    def _stop(self, number: int) -> None:
        life = self._living.pop(number)
        life.asked = self._running(number)
        life.exit_code = self._replicas[number].stop()

    def _running(self, number: int) -> bool:
        process = self._replicas[number].process
        return process is not None and process.poll() is None

    async def _restart(self) -> None:
        """Every so often, one replica after the other."""
        due = self._plan.restart_every
        # The last life is not to be much shorter than the others.
        while max(due, self._now) + self._plan.restart_every / 2 <= self._plan.seconds:
            await asyncio.sleep(max(0, due - self._now))
            for number in range(REPLICAS):
                await asyncio.to_thread(self._stop, number)
                await self._start(number)
            due += self._plan.restart_every

    async def _sample(self) -> None:
        """The resident memory of each process, once a second."""
        begun: dict[int, float] = {}
        while True:
            for number, life in list(self._living.items()):
                process = self._replicas[number].process
                if process is None or process.poll() is not None:
                    continue
                now = self._now
                first = begun.setdefault(process.pid, now)
                life.sizes.append((now - first, psutil.Process(process.pid).memory_info().rss))
            await asyncio.sleep(1)

    async def _ask_on(self, client: httpx.AsyncClient, calls: asyncio.TaskGroup) -> None:
        """At the rate that was asked for, however long each answer takes."""
        number = 0
        while (due := number / self._plan.rate) < self._plan.seconds:
            await asyncio.sleep(max(0, due - self._now))
            calls.create_task(self._asked(client, self._mix.draw(), number))
            number += 1

    async def _asked(self, client: httpx.AsyncClient, ask: Ask, number: int) -> None:
        """As a proxy asks: the next replica when one does not answer, or is being stopped."""
        for turn in range(TRIES):
            address = self._replicas[(number + turn) % REPLICAS].address
            try:
                answer = await self._sent(client, ask, address + ask.path)
            except httpx.TransportError:
                self.seen.cut_off += 1
                continue
            self._heard(ask, answer)
            if answer.status_code != 503:
                return
            self.seen.refused += 1
        self.seen.wrong.append(f"{ask.kind}: no answer in {TRIES} tries")

    async def _sent(self, client: httpx.AsyncClient, ask: Ask, address: str) -> httpx.Response:
        return await client.request(ask.method, address, content=ask.body, headers=ask.headers)

    def _heard(self, ask: Ask, answer: httpx.Response) -> None:
        status = answer.status_code
        self.seen.told[ask.kind, status] += 1
        if status == 503 and _told_to_return(answer):
            return
        if status not in ask.due:
            self.seen.wrong.append(f"{ask.kind}: {status}, due was {ask.due}")
            return
        self.seen.kept += kept_of(ask, answer)
        self._mix.heard(ask, answer)

    async def _remember_size(self, client: httpx.AsyncClient, number: int) -> None:
        with suppress(httpx.TransportError):  # that it is gone, its exit code says
            answer = await client.get(f"{self._replicas[number].address}/log/checkpoint")
            self.seen.sizes.append(answer.text)


def _told_to_return(answer: httpx.Response) -> bool:
    """Whether a 503 says when to come again, in FHIR."""
    outcome = answer.json() if answer.content else {}
    return "retry-after" in answer.headers and outcome.get("resourceType") == "OperationOutcome"


def kept_of(ask: Ask, answer: httpx.Response) -> list[Kept]:
    """What the answer says is in the log."""
    if "cds-log-checkpoint" not in answer.headers:
        return []
    note = base64.b64decode(answer.headers["cds-log-checkpoint"]).decode()
    again = "idempotency-replayed" in answer.headers
    if ask.kind == "batch":
        places = [each["response"].get("location", "") for each in answer.json()["entry"]]
        found = [int(place.rpartition("-")[2]) for place in places if place]
        return [Kept(index, "", note, again) for index in found]
    digest = sha256(answer.content).hexdigest() if ask.answered else ""
    return [Kept(int(answer.headers["cds-log-index"]), digest, note, again)]
