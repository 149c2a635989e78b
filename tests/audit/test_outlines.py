"""Lists and counts by the columns alone, and what stands for entries that an export leaves out."""

import asyncio
from dataclasses import replace
from datetime import UTC, timedelta
from itertools import pairwise

import pytest

from cds_service.audit.examine import examine
from cds_service.audit.export import Line, Note, Piece
from cds_service.audit.outline import Outline
from cds_service.audit.record import FEEDBACK, Entry
from cds_service.audit.seal import Encrypted, Plain, Sealer
from cds_service.audit.store import Query, Store
from cds_service.errors import LogAltered
from tests.logs import VERIFIER

from .conftest import AT, Opens, append_all, entry, erasure

INFANT = "Patient/7"


def fed_back(about: int, outcome: str) -> Entry:
    return replace(entry(), kind=FEEDBACK, about=about, outcome=outcome)


@pytest.fixture(params=[Plain(), Encrypted([bytes(32)])], ids=["plain", "encrypted"])
def store(request: pytest.FixtureRequest, opens: Opens) -> Store:
    """Six recommendations; the second is accepted, the third overridden, the fifth erased."""
    sealer: Sealer = request.param
    store = opens(sealer=sealer)
    names = ("success", "data-required", "success", "data-requested", "success", "success")
    append_all(
        store,
        [
            replace(
                entry(number),
                recorded=AT + timedelta(days=number),
                outcome=outcome,
                classes=("pneumonia", "thrush") if number % 2 else (),
                patient=INFANT if number == 3 else "",
            )
            for number, outcome in enumerate(names)
        ],
    )
    append_all(store, [fed_back(1, "accepted"), fed_back(2, "accepted"), fed_back(2, "overridden")])
    asyncio.run(store.erase(4, erasure(4)))
    return store


def outlines(store: Store, **query: object) -> list[Outline]:
    return list(asyncio.run(store.outlines(Query(**query))))  # type: ignore[arg-type]


def test_an_outline_says_what_the_entry_says(store: Store) -> None:
    for found in outlines(store, limit=10):
        logged = asyncio.run(store.get(found.position))
        assert logged is not None
        head, held = logged.head, logged.entry
        assert (found.kind, found.about, found.protocol) == (head.kind, head.about, head.protocol)
        assert (found.tenant, found.caller) == (head.origin.tenant, head.origin.caller)
        assert (found.recorded, found.recorded.tzinfo) == (head.recorded, UTC)
        said = ("", (), True) if held is None else (held.outcome, held.classes, False)
        assert (found.outcome, found.classes, found.erased) == said


def test_outlines_are_what_the_search_finds(store: Store) -> None:
    for query in (
        Query(),
        Query(limit=3),
        Query(classes=("thrush",), below=5),
        Query(outcomes=("success",), since=AT + timedelta(days=1)),
        Query(patient=INFANT),
        Query(reviews=("overridden",)),
        Query(tenant="another"),
        Query(positions=(5, 1, 99), outcomes=("success",)),
    ):
        found = [each.index for each in asyncio.run(store.find(query))]
        assert [each.position for each in asyncio.run(store.outlines(query))] == found


@pytest.mark.parametrize(
    ("reviews", "found"),
    [(("accepted",), [2, 1]), (("overridden",), [2]), (("accepted", "overridden"), [2, 1])],
)
def test_what_was_fed_back_about_is_found(
    store: Store, reviews: tuple[str, ...], found: list[int]
) -> None:
    assert [each.position for each in outlines(store, reviews=reviews)] == found
    assert asyncio.run(store.count(Query(reviews=reviews))) == len(found)


def test_what_was_fed_back_and_erased_is_not_found_by_it(store: Store) -> None:
    asyncio.run(store.erase(8, erasure(8)))

    assert outlines(store, reviews=("overridden",)) == []


def test_outlines_in_order_are_the_whole_log(store: Store) -> None:
    found: list[Outline] = []
    while part := asyncio.run(store.outlines_from(len(found), 4)):
        found += part

    assert [each.position for each in found] == list(range(10))
    assert found == outlines(store, limit=10)[::-1]


@pytest.mark.parametrize("chosen", [(), (0,), (299,), (3, 4, 5, 130), (0, 255, 256, 257, 298)])
def test_an_export_of_a_few_entries_verifies(opens: Opens, chosen: tuple[int, ...]) -> None:
    store = opens()
    note = append_all(store, [entry(number) for number in range(300)])[-1].checkpoint

    assert examine(part(store, chosen, note), VERIFIER).passed == 300 - len(chosen)


def test_an_export_that_leaves_out_one_more_does_not_verify(opens: Opens) -> None:
    store = opens()
    note = append_all(store, [entry(number) for number in range(300)])[-1].checkpoint
    lines = part(store, (3, 4), note)
    del lines[1]

    with pytest.raises(LogAltered):
        examine(lines, VERIFIER)


def part(store: Store, chosen: tuple[int, ...], note: str) -> list[Line]:
    """The chosen entries of a log of 300, and what stands for the others."""
    gaps = [(before + 1, at) for before, at in pairwise((-1, *chosen, 300))]
    lines: list[Line] = list(asyncio.run(store.passed(gaps, 300)))
    for index in chosen:
        logged = asyncio.run(store.get(index))
        assert logged is not None
        lines.append(Piece(index, logged.leaf, logged.payload))
    lines.sort(key=lambda line: line.index)  # type: ignore[union-attr]
    return [*lines, Note(note)]


def test_nothing_stands_for_what_is_not_in_the_log(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(3)])

    for gaps, size in ([(0, 4)], 3), ([(0, 3)], 4):
        with pytest.raises(IndexError):
            asyncio.run(store.passed(gaps, size))
