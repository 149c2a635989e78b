"""An erasure leaves nothing behind that names the infant, whatever is recorded meanwhile."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import orjson
import pytest

from cds_service.audit.record import FEEDBACK, Entry
from cds_service.audit.rows import item_of
from cds_service.audit.seal import Plain
from cds_service.audit.store import Logged, Query, Receipt, Store
from cds_service.content.library import Library
from cds_service.errors import FedBack, LogUnavailable, PayloadErased
from cds_service.fhir.read_feedback import Feedback
from cds_service.service import Service

from .conftest import AT, append_all, entry, erasure

Opens = Callable[..., Store]
NAMED = "Patient/tolm-7"


def feedback(about: int) -> Entry:
    return replace(entry(9), kind=FEEDBACK, about=about, patient=NAMED, outcome="accepted")


def named(store: Store) -> list[int]:
    """The entries that still name the infant."""
    return [each.index for each in asyncio.run(store.find(Query(patient=NAMED)))]


def whole(store: Store) -> bool:
    return asyncio.run(store.verify()).finding is None


def test_feedback_about_what_was_erased_is_not_recorded(opens: Opens) -> None:
    store = opens()
    append_all(store, [replace(entry(), patient=NAMED)])
    asyncio.run(store.erase(0, erasure(0)))

    for about in (0, 7):
        with pytest.raises(PayloadErased):
            append_all(store, [feedback(about)])

    assert named(store) == []
    assert asyncio.run(store.size()) == 2


def test_an_entry_that_was_fed_back_about_is_not_erased_before_the_feedback(opens: Opens) -> None:
    store = opens()
    append_all(store, [replace(entry(), patient=NAMED)])
    append_all(store, [feedback(0)])

    with pytest.raises(FedBack):
        asyncio.run(store.erase(0, erasure(0)))

    assert named(store) == [1, 0]
    for index in (1, 0):
        assert asyncio.run(store.erase(index, erasure(index))) is not None
    assert named(store) == []
    assert whole(store)


def test_by_age_an_entry_goes_before_its_younger_feedback(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry()])
    append_all(store, [feedback(0)])

    assert asyncio.run(store.erase(0, erasure(0), alone=True)) is not None
    assert whole(store)


@pytest.mark.parametrize("first", ["feedback", "erasure"])
def test_in_one_commit_the_first_decides(opens: Opens, first: str) -> None:
    store = opens()
    append_all(store, [replace(entry(), patient=NAMED)])
    items = {
        "feedback": item_of(feedback(0), Plain()),
        "erasure": item_of(erasure(0), Plain(), erases=0),
    }
    asyncio.run(store.close())
    together = opens()
    batch = sorted(items.values(), key=lambda each: each is not items[first])
    outcomes = together._commit(batch)  # type: ignore[attr-defined]
    together._drop()  # type: ignore[attr-defined]  # its connection is of this thread

    assert isinstance(outcomes[0], Receipt)
    assert isinstance(outcomes[1], FedBack if first == "feedback" else PayloadErased)
    assert named(together) == ([1, 0] if first == "feedback" else [])
    assert whole(together)


class Meanwhile:
    """A store in which something happens just before the first erasure of one entry."""

    def __init__(self, store: Store, index: int, happens: Callable[[], object]) -> None:
        self._store = store
        self._index = index
        self._happens: Callable[[], object] | None = happens

    async def erase(self, index: int, said: Entry, *, alone: bool = False) -> object:
        if index == self._index and self._happens is not None:
            happens, self._happens = self._happens, None
            await happens()  # type: ignore[misc]
        return await self._store.erase(index, said, alone=alone)

    def __getattr__(self, name: str) -> object:
        return getattr(self._store, name)


def service_on(store: object) -> Service:
    return Service(
        Library().named("sick-young-infant|2024.1"),
        store,  # type: ignore[arg-type]
        base="http://cds-service.example/fhir",
        code_version="test",
        clock=lambda: AT + timedelta(days=400),
    )


def test_feedback_that_comes_while_its_entry_is_being_erased_goes_too(opens: Opens) -> None:
    """It was looked for and not found, then it was recorded, then the entry is to be erased."""
    store = opens()
    body = Path("examples/06-infection-unlikely/request.json").read_bytes()
    index = asyncio.run(service_on(store).recommend(body)).index
    given = asyncio.run(store.get(index))
    assert given is not None
    assert given.entry is not None
    said = [{"name": "outcome", "valueCode": "accepted"}, {"name": "by", "valueString": "Quill"}]
    parameters = orjson.dumps({"resourceType": "Parameters", "parameter": said})

    async def fed_back() -> object:
        async def about(_: Feedback) -> Logged:
            return given

        return await service_on(store).feedback(parameters, about)

    asyncio.run(service_on(Meanwhile(store, index, fed_back)).erase(index, "asked for"))

    assert asyncio.run(store.find(Query(patient=given.entry.patient))) == []
    assert asyncio.run(store.count(Query(kinds=(FEEDBACK,)))) == 1
    assert whole(store)


def test_stopped_between_feedback_and_entry_it_is_gone_on_with(opens: Opens) -> None:
    store = opens()
    append_all(store, [replace(entry(), patient=NAMED)])
    append_all(store, [feedback(0), feedback(0)])

    async def stopped() -> object:
        raise LogUnavailable("the machine was switched off")

    with pytest.raises(LogUnavailable):
        asyncio.run(service_on(Meanwhile(store, 0, stopped)).erase(0, "asked for"))
    assert named(store) == [0]
    assert whole(store)

    assert asyncio.run(service_on(store).erase(0, "asked for")) is not None
    assert named(store) == []
    assert whole(store)
