"""What every store does: entries with proofs, search, keys, erasure. The same for all of them."""

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.leaf import belongs
from cds_service.audit.record import ERASURE, FEEDBACK, RECOMMENDATION, Entry, Origin
from cds_service.audit.seal import Encrypted, Plain, Sealer
from cds_service.audit.store import Logged, Query, Store
from cds_service.audit.tree import leaf_hash, root
from cds_service.audit.verify import verify_consistency, verify_inclusion
from cds_service.errors import KeyTaken, LogUnavailable
from tests.logs import VERIFIER, entry_at

from .conftest import AT, Opens, append_all, entry, erasure

SEALERS = [Plain(), Encrypted([bytes(32)])]


def opened(note: str) -> Checkpoint:
    return open_checkpoint(note, VERIFIER)


def indexes(store: Store, **query: Any) -> list[int]:
    return [each.index for each in asyncio.run(store.find(Query(**query)))]


async def listed(found: AsyncIterator[Logged]) -> list[Logged]:
    return [each async for each in found]


@pytest.fixture(params=SEALERS, ids=["plain", "encrypted"])
def sealed(request: pytest.FixtureRequest) -> Sealer:
    sealer: Sealer = request.param
    return sealer


def test_a_receipt_has_a_signed_checkpoint_that_covers_the_entry(opens: Opens) -> None:
    store = opens()
    receipts = append_all(store, [entry(number) for number in range(300)])

    for receipt in receipts[::37]:
        checkpoint = opened(receipt.checkpoint)
        logged = asyncio.run(store.get(receipt.index))
        assert logged is not None
        path = asyncio.run(store.inclusion(receipt.index, checkpoint.size))
        hashed = leaf_hash(logged.leaf)
        verify_inclusion(hashed, receipt.index, checkpoint.size, path, checkpoint.root)


@pytest.mark.parametrize("size", [0, 1, 2, 255, 256, 257, 700])
def test_the_checkpoint_is_the_root_over_the_leaves(opens: Opens, size: int) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(size)])
    leaves = [logged.leaf for logged in asyncio.run(listed(store.scan()))]

    for again in (store, opens()):  # as it grew, and as it is read after a restart
        checkpoint = opened(asyncio.run(again.checkpoint()))
        assert checkpoint.size == asyncio.run(again.size()) == size
        assert checkpoint.root == root(map(leaf_hash, leaves)) == asyncio.run(again.root(size))


def test_every_earlier_size_is_the_beginning_of_the_log_of_now(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(520)])
    now = asyncio.run(store.root(520))

    for size in (0, 1, 255, 256, 257, 511, 512, 513, 520):
        then = asyncio.run(store.root(size))
        verify_consistency(size, then, 520, now, asyncio.run(store.consistency(size, 520)))


@pytest.mark.parametrize(
    "ask",
    [
        lambda store: store.inclusion(3, 3),
        lambda store: store.inclusion(-1, 3),
        lambda store: store.inclusion(0, 4),
        lambda store: store.consistency(3, 2),
        lambda store: store.consistency(2, 4),
        lambda store: store.root(4),
        lambda store: store.root(-1),
    ],
)
def test_there_is_no_proof_of_what_is_not_there(opens: Opens, ask: Callable[[Store], Any]) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(3)])

    with pytest.raises(IndexError):
        asyncio.run(ask(store))


def test_what_is_erased_is_gone_and_its_proof_stays(opens: Opens, sealed: Sealer) -> None:
    store = opens(sealer=sealed)
    append_all(store, [replace(entry(number), patient="Patient/7") for number in range(3)])
    before = asyncio.run(store.get(1))
    size = opened(asyncio.run(store.checkpoint())).size
    old = asyncio.run(store.root(size))

    receipt = asyncio.run(store.erase(1, erasure(1)))

    assert receipt is not None
    assert before is not None
    after = asyncio.run(store.get(1))
    assert after == replace(before, entry=None, payload=None)
    checkpoint = opened(receipt.checkpoint)
    path = asyncio.run(store.inclusion(1, checkpoint.size))
    verify_inclusion(leaf_hash(after.leaf), 1, checkpoint.size, path, checkpoint.root)
    grown = asyncio.run(store.consistency(size, checkpoint.size))
    verify_consistency(size, old, checkpoint.size, checkpoint.root, grown)
    assert indexes(store, patient="Patient/7") == [2, 0]
    assert indexes(store, kinds=(ERASURE,)) == indexes(store, abouts=(1,)) == [receipt.index]


def test_nothing_is_erased_twice_and_no_erasure_at_all(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry()])
    assert asyncio.run(store.erase(0, erasure(0))) is not None

    for index in (0, 1, 2, -1, 2**80):
        assert asyncio.run(store.erase(index, erasure(index))) is None
    assert asyncio.run(store.size()) == 2


def test_one_of_two_that_erase_the_same_at_once_is_recorded(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(3)])

    async def both() -> list[Any]:
        return await asyncio.gather(
            store.erase(1, erasure(1)), store.append(entry(9)), store.erase(1, erasure(1))
        )

    done = asyncio.run(both())

    assert sorted(receipt.index for receipt in done if receipt) == [3, 4]
    assert None in done


def test_an_erasure_says_what_it_is_about(opens: Opens) -> None:
    store = opens()
    append_all(store, [entry()])

    for wrong in (erasure(1), entry()):
        with pytest.raises(ValueError, match="about"):
            asyncio.run(store.erase(0, wrong))


def test_a_key_is_recorded_once(opens: Opens) -> None:
    store = opens()
    keyed = replace(entry(1), key="retry-1")
    other = replace(entry(2), key="retry-1", origin=Origin("marrow-vale", "other-clinic"))
    append_all(store, [entry(0), keyed, other])

    with pytest.raises(KeyTaken) as refused:
        asyncio.run(store.append(replace(entry(5), key="retry-1")))

    assert refused.value.index == 1
    assert asyncio.run(store.size()) == 3
    found = asyncio.run(store.by_key("marrow-vale", "tolm-ford", "retry-1"))
    assert found is not None
    assert (found.index, found.entry) == (1, keyed)
    for key in ("retry-2", ""):
        assert asyncio.run(store.by_key("marrow-vale", "tolm-ford", key)) is None


def test_of_two_with_one_key_at_once_the_first_is_recorded(opens: Opens) -> None:
    store = opens()

    async def at_once() -> list[Any]:
        keyed = [store.append(replace(entry(number), key="same")) for number in range(3)]
        return await asyncio.gather(store.append(entry(7)), *keyed, return_exceptions=True)

    plain, first, *others = asyncio.run(at_once())

    assert (plain.index, first.index) == (0, 1)
    assert [(type(other), other.index) for other in others] == [(KeyTaken, 1)] * 2
    assert entry_at(store, 1).request == entry(0).request
    assert asyncio.run(store.size()) == 2


def test_a_key_is_known_after_its_entry_was_erased(opens: Opens) -> None:
    store = opens()
    append_all(store, [replace(entry(), key="retry-1")])
    asyncio.run(store.erase(0, erasure(0)))

    found = asyncio.run(store.by_key("marrow-vale", "tolm-ford", "retry-1"))

    assert found is not None
    assert found.entry is None
    with pytest.raises(KeyTaken):
        asyncio.run(store.append(replace(entry(), key="retry-1")))


def searched() -> list[Entry]:
    """Entries 0 ... 5 of which each differs in what can be searched for."""
    feedback = replace(entry(4), kind=FEEDBACK, about=1, outcome="overridden", patient="Patient/7")
    return [
        replace(entry(0), patient="Patient/7", outcome="success", classes=("pneumonia", "x_y")),
        replace(entry(1), patient="Patient/8", outcome="data-required", classes=("pneumonia-2",)),
        replace(entry(2), recorded=AT + timedelta(hours=1), classes=("local-infection",)),
        replace(entry(3), origin=Origin("other", "tolm-ford"), protocol="sick-child|1"),
        feedback,
        replace(entry(0), recorded=AT + timedelta(days=1), protocol="sick-child"),
    ]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({}, [5, 4, 3, 2, 1, 0]),
        ({"limit": 2}, [5, 4]),
        ({"limit": 2, "below": 4}, [3, 2]),
        ({"below": 0}, []),
        ({"patient": "Patient/7"}, [4, 0]),
        ({"patient": "Patient/7", "kinds": (RECOMMENDATION,)}, [0]),
        ({"patient": "patient/7"}, []),
        ({"decision_id": "decision-0"}, [5, 0]),
        ({"outcomes": ("success", "overridden")}, [4, 0]),
        ({"classes": ("pneumonia",)}, [0]),
        ({"classes": ("pneumonia", "local-infection")}, [2, 0]),
        ({"classes": ("x%y",)}, []),
        ({"classes": ("x_y",)}, [0]),
        ({"classes": ("xxy",)}, []),
        ({"tenant": "other"}, [3]),
        ({"tenant": ""}, []),
        ({"caller": "tolm-ford", "tenant": "marrow-vale"}, [5, 4, 2, 1, 0]),
        ({"kinds": (FEEDBACK, ERASURE)}, [4]),
        ({"since": AT + timedelta(hours=1)}, [5, 2]),
        ({"before": AT + timedelta(hours=1)}, [4, 3, 1, 0]),
        ({"since": AT, "before": AT}, []),
        ({"protocol": "sick-child"}, [5, 3]),
        ({"protocol": "sick-child|1"}, [3]),
        ({"protocol": "sick_child"}, []),
        ({"abouts": (1, 7)}, [4]),
        ({"patient": "Patient/7", "tenant": "other"}, []),
    ],
)
def test_entries_are_found(
    opens: Opens, sealed: Sealer, query: dict[str, Any], found: list[int]
) -> None:
    store = opens(sealer=sealed)
    append_all(store, searched())

    assert indexes(store, **query) == found
    if not {"limit", "below"} & set(query):
        assert asyncio.run(store.count(Query(**query))) == len(found)


def test_what_is_found_is_whole(opens: Opens, sealed: Sealer) -> None:
    store = opens(sealer=sealed)
    append_all(store, searched())

    for each in asyncio.run(store.find(Query())):
        assert each.entry == searched()[each.index]
        assert each.payload is not None
        assert belongs(each.leaf, each.payload)
        assert each == asyncio.run(store.get(each.index))


@pytest.mark.parametrize(("first", "last"), [(0, None), (0, 0), (3, 150), (199, 500), (500, None)])
def test_a_part_of_the_log_is_read_in_order(opens: Opens, first: int, last: int | None) -> None:
    store = opens()
    append_all(store, [entry(number) for number in range(200)])

    read = asyncio.run(listed(store.scan(first, last)))

    assert [each.index for each in read] == list(range(200))[first:last]
    assert all(each.entry == entry(each.index) for each in read)


def test_what_is_old_and_not_erased_yet_is_known(opens: Opens) -> None:
    store = opens()
    days = [entry(0), entry(1), replace(entry(2), recorded=AT + timedelta(days=9)), entry(3)]
    append_all(store, days)
    asyncio.run(store.erase(1, replace(erasure(1), recorded=AT - timedelta(days=1))))

    assert list(asyncio.run(store.kept(AT + timedelta(days=1)))) == [0, 3]
    assert list(asyncio.run(store.kept(AT + timedelta(days=1), 1))) == [0]
    assert list(asyncio.run(store.kept(AT))) == []


def test_two_that_write_to_one_log_make_one_tree(opens: Opens) -> None:
    here, there = opens(), opens()
    receipts = []
    for number in range(0, 600, 3):
        receipts += append_all(here, [entry(number), entry(number + 1)])
        receipts += append_all(there, [entry(number + 2)])

    assert [receipt.index for receipt in receipts] == list(range(600))
    assert asyncio.run(here.checkpoint()) == asyncio.run(there.checkpoint())
    leaves = [logged.leaf for logged in asyncio.run(listed(here.scan()))]
    assert opened(receipts[-1].checkpoint).root == root(map(leaf_hash, leaves))


def test_without_the_key_of_its_payloads_a_log_is_not_opened(opens: Opens) -> None:
    append_all(opens(sealer=Encrypted([bytes(32)])), [entry(), entry()])

    for sealer in (Plain(), Encrypted([bytes([1]) * 32])):
        with pytest.raises(LogUnavailable, match="CDS_PAYLOAD_KEY_FILE"):
            opens(sealer=sealer)


def test_without_an_old_key_the_payloads_under_it_are_not_there(opens: Opens) -> None:
    old, new = bytes(32), bytes([1]) * 32
    append_all(opens(sealer=Encrypted([old])), [entry()])
    append_all(opens(sealer=Encrypted([old, new])), [entry()])

    with pytest.raises(LogUnavailable, match="entry 0"):
        asyncio.run(opens(sealer=Encrypted([new])).get(0))


def test_after_a_change_of_keys_everything_is_read_and_found(opens: Opens) -> None:
    old, new = bytes(32), bytes([1]) * 32
    named = replace(entry(), patient="Patient/7")
    for sealer in (Plain(), Encrypted([old]), Encrypted([old, new])):
        append_all(opens(sealer=sealer), [named])

    store = opens(sealer=Encrypted([old, new]))

    assert [entry_at(store, index) for index in range(3)] == [named] * 3
    assert indexes(store, patient="Patient/7") == [2, 1, 0]
