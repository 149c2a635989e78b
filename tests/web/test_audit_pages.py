"""Pages of AuditEvents: their order, their links, their totals; fhir.resources is the judge."""

import asyncio

import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.service import Service
from tests.logs import entry_at

from .auditing import AUDIT, FORM, ORLA, indexes, links, valid
from .conftest import Call


def test_the_newest_come_first_and_pages_hold_twenty(call: Call, post: Call) -> None:
    for _ in range(22):
        post()
    first = valid(call("GET", AUDIT))

    assert "total" not in first  # nobody asked
    assert "total" not in valid(call("GET", f"{AUDIT}?_total=none"))
    assert valid(call("GET", f"{AUDIT}?_total=accurate"))["total"] == 22
    assert indexes(first) == list(range(21, 1, -1))
    second = valid(call("GET", links(first)["next"]))
    assert indexes(second) == [1, 0]
    assert "next" not in links(second)


def test_pages_lead_forth_and_back(call: Call, infants: list[str]) -> None:
    page = valid(call("GET", f"{AUDIT}?_count=2"))
    seen, there = [indexes(page)], [links(page)["self"]]
    while "next" in links(page):
        page = valid(call("GET", links(page)["next"]))
        seen.append(indexes(page))
        there.append(links(page)["self"])
    assert seen == [[8, 7], [6, 5], [4, 3], [2, 1], [0]]
    back = [links(page)["self"]]
    while "previous" in links(page):
        page = valid(call("GET", links(page)["previous"]))
        back.append(links(page)["self"])
    assert back == there[::-1]
    assert all(len(url) < 200 for url in there)


def test_entries_that_come_meanwhile_move_no_page(
    call: Call, infants: list[str], post: Call
) -> None:
    first = valid(call("GET", f"{AUDIT}?_count=4"))
    post()

    assert indexes(valid(call("GET", links(first)["next"]))) == [4, 3, 2, 1]


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_links_name_no_patient_and_lead_on_all_the_same(
    call: Call, infants: list[str], method: str
) -> None:
    if method == "GET":
        page = valid(call("GET", f"{AUDIT}?patient={ORLA}&_count=2&_total=accurate"))
    else:
        form = f"patient={ORLA}&_count=2&_total=estimate"
        page = valid(call("POST", f"{AUDIT}/_search", content=form, headers=FORM))

    assert (page["total"], indexes(page)) == (3, [6, 3])
    assert "patient-of=6" in links(page)["self"]
    assert "_search" not in links(page)["self"]
    rest = valid(call("GET", links(page)["next"]))
    assert indexes(rest) == [0]
    assert indexes(valid(call("GET", links(rest)["previous"]))) == [6, 3]
    assert not [url for url in (*links(page).values(), *links(rest).values()) if "orla" in url]


def test_a_link_whose_entry_was_erased_says_so(
    call: Call, infants: list[str], service: Service
) -> None:
    page = valid(call("GET", f"{AUDIT}?patient={ORLA}&_count=1"))
    asyncio.run(service.erase(6, "on request"))

    assert call("GET", links(page)["next"]).status_code == 410


def test_nothing_found_for_a_patient_leaves_no_name_and_says_why(call: Call) -> None:
    page = valid(call("GET", f"{AUDIT}?patient={ORLA}"))

    assert (page["total"], indexes(page)) == (0, [])
    assert set(links(page).values()) == {f"http://here.example{AUDIT}"}
    (told,) = page["entry"]
    assert told["search"]["mode"] == "outcome"
    assert told["resource"]["issue"][0]["code"] == "informational"


def test_a_count_of_nought_asks_for_the_total(call: Call, infants: list[str]) -> None:
    page = valid(call("GET", f"{AUDIT}?_count=0&patient={ORLA}"))

    assert page["total"] == 3
    assert indexes(page) == []


@pytest.mark.parametrize("count", ["201", "1000000", "9" * 200])
def test_a_huge_count_gives_at_most_two_hundred(
    call: Call, service: Service, store: SqliteStore, post: Call, count: str
) -> None:
    post()
    entry = entry_at(store, 0)

    async def many() -> None:
        await asyncio.gather(*(store.append(entry) for _ in range(210)))

    asyncio.run(many())
    page = valid(call("GET", f"{AUDIT}?_count={count}"))
    assert len(indexes(page)) == 200
    assert "_count=200" in links(page)["self"]
