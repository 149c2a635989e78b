"""What is counted in memory is what the log counts when it is asked; and how charts divide it."""

import asyncio
import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from cds_service.audit.record import ERASURE, FEEDBACK, RECOMMENDATION, Entry, Origin
from cds_service.audit.sqlite import SqliteStore
from cds_service.web.site.records.asked import Asked, read
from cds_service.web.site.records.charts import MOST_BARS, Summary, summary
from cds_service.web.site.records.counting import Counting
from cds_service.web.site.records.searching import wanted_kinds
from cds_service.web.site.records.tally import Kind, Tally, within
from tests.audit.conftest import entry, erasure
from tests.logs import open_log

ZONE = timezone(timedelta(hours=3))
BEGUN = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
CLASSES = ("pneumonia", "thrush", "jaundice")
OUTCOMES = ("success", "data-requested", "data-required", "")


def history(size: int, seed: int) -> list[tuple[Entry, int | None]]:
    """Entries in order, each with what it erases."""
    chance, made = random.Random(seed), []
    kinds: list[str] = []
    said_of: dict[int, set[int]] = {}
    gone: set[int] = set()
    for number in range(size):
        at = {
            "recorded": BEGUN + timedelta(hours=5 * number),
            "origin": Origin(chance.choice(("", "other")), chance.choice(("desk", "ward"))),
        }
        about = chance.randrange(number) if number else 0
        kind = chance.choice((RECOMMENDATION, RECOMMENDATION, FEEDBACK, ERASURE))
        there = about < number and about not in gone and kinds[about] != ERASURE
        if kind == FEEDBACK and there and kinds[about] == RECOMMENDATION:
            outcome = chance.choice(("accepted", "overridden"))
            said = replace(entry(number), kind=FEEDBACK, about=about, outcome=outcome, **at)
            said_of.setdefault(about, set()).add(number)
            made.append((said, None))
        elif kind == ERASURE and there and said_of.get(about, set()) <= gone:
            gone.add(about)
            made.append((replace(erasure(about), **at), about))
        else:
            kind = RECOMMENDATION
            held = tuple(sorted(chance.sample(CLASSES, chance.randrange(3))))
            outcome = chance.choice(OUTCOMES)
            made.append((replace(entry(number), outcome=outcome, classes=held, **at), None))
        kinds.append(kind)
    return made


async def fill(store: SqliteStore, entries: list[tuple[Entry, int | None]]) -> None:
    for each, erases in entries:
        if erases is None:
            await store.append(each)
        else:
            assert await store.erase(erases, each) is not None


async def looked_at(store: SqliteStore, tally: Tally, step: int = 7) -> Tally:
    while part := await store.outlines_from(tally.size, step):
        tally.add(part)
    return tally


SEARCHES = (
    "",
    "clinic=ward",
    "class=thrush",
    "outcome=data-required",
    "feedback=accepted",
    "feedback=overridden",
    "protocol=sick-young-infant",
    "protocol=sick-young-infant%7C2024.1",
    "protocol=sick",
    "from=2026-03-05",
    "to=2026-03-05",
    "from=2026-03-04&to=2026-03-20&class=pneumonia&clinic=desk",
)


def asked(query: str) -> Asked:
    pairs = [tuple(each.split("=")) for each in query.replace("%7C", "|").split("&") if each]
    return read(pairs)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(4))
def test_the_tally_counts_and_finds_what_the_log_does(tmp_path: Path, seed: int) -> None:
    # In two parts: what is fed back and erased later moves what was counted before.
    store, entries = open_log(tmp_path / "log.db"), history(160, seed)

    async def compare() -> None:
        await fill(store, entries[:80])
        tally = await looked_at(store, Tally(ZONE))
        await fill(store, entries[80:])
        await looked_at(store, tally)
        for search in SEARCHES:
            wish = asked(search)
            query = replace(wish.query("", ZONE), limit=500)
            wanted = wanted_kinds(wish, "")
            counted = within(tally.kinds(wanted), wish.since, wish.until)
            assert summary(counted).total == await store.count(query), search
            found = [each.position for each in await store.outlines(query)]
            days = {"since": wish.since, "until": wish.until}
            assert tally.newest(wanted, 500, **days) == found, search
            assert tally.newest(wanted, 3, below=70, **days) == [at for at in found if at < 70][:3]
            assert summary(tally.of(found)).total == len(found)

    asyncio.run(compare())
    asyncio.run(store.close())


def test_a_long_log_is_counted_in_parts(tmp_path: Path) -> None:
    store = open_log(tmp_path / "log.db")
    counting = Counting(store, lambda: datetime.now(ZONE), patience=0)

    async def count() -> None:
        await asyncio.gather(*(store.append(entry(number)) for number in range(2500)))
        tally, whole = await counting.tally()
        assert (tally.size, whole) == (1000, False)
        while not whole:
            await asyncio.sleep(0.01)
            tally, whole = await counting.tally()
        assert tally.size == 2500

    asyncio.run(count())
    asyncio.run(store.close())


def test_another_offset_of_the_clock_is_another_calendar(tmp_path: Path) -> None:
    store, now = open_log(tmp_path / "log.db"), datetime(2026, 3, 1, tzinfo=UTC)
    counting = Counting(store, lambda: now)

    async def days() -> list[date]:
        tally, _ = await counting.tally()
        return [day for _, days in tally.kinds(lambda _: True) for day in days]

    late = replace(entry(), recorded=datetime(2026, 3, 1, 23, 30, tzinfo=UTC))
    asyncio.run(store.append(late))
    assert asyncio.run(days()) == [date(2026, 3, 1)]
    now = now.astimezone(ZONE)
    assert asyncio.run(days()) == [date(2026, 3, 2)]
    asyncio.run(store.close())


KIND = Kind("", "", "p|1", "success", ("thrush",), 0, erased=False)


def charted(days: dict[date, int]) -> Summary:
    return summary([(KIND, days)])


@pytest.mark.parametrize(
    ("length", "step", "bars"),
    [(0, "day", 1), (61, "day", 62), (62, "week", 10), (431, "week", 62), (441, "month", 15)],
)
def test_periods_are_as_fine_as_there_is_room_for(length: int, step: str, bars: int) -> None:
    first = date(2026, 3, 4)  # a Wednesday
    found = charted({first: 2, first + timedelta(days=length): 3} if length else {first: 5})

    assert (found.step, len(found.periods)) == (step, bars)
    assert len(found.periods) <= MOST_BARS
    assert [each.count for each in found.periods if each.count] in ([2, 3], [5])


def test_periods_follow_each_other_without_a_gap() -> None:
    for length in (40, 300, 1500, 9000, 40_000):
        found = charted({date(1960, 1, 30): 1, date(1960, 1, 30) + timedelta(days=length): 1})
        for before, after in zip(found.periods, found.periods[1:], strict=False):
            assert after.first == before.last + timedelta(days=1)
        assert found.periods[0].first <= date(1960, 1, 30)
        if found.step == "week":
            # ISO 8601: a week begins on Monday.
            assert {each.first.isoweekday() for each in found.periods} == {1}


def test_shares_are_of_all_recommendations_of_their_period() -> None:
    day, next_day = date(2026, 3, 2), date(2026, 3, 3)
    found = summary(
        [
            (KIND, {day: 6, next_day: 1}),
            (KIND._replace(outcome="data-required"), {day: 2}),
            (KIND._replace(review=2), {day: 1}),
            (KIND._replace(review=3), {day: 1}),
            (KIND._replace(review=1), {next_day: 4}),
            (KIND._replace(outcome="", classes=(), erased=True), {next_day: 1}),
        ]
    )
    assert (found.total, found.erased, found.accepted) == (16, 1, 4)
    assert (found.incomplete.count, found.incomplete.percent) == (2, 12.5)
    assert (found.overridden.count, found.overridden.percent) == (2, 12.5)
    assert [(each.count, each.overridden.count) for each in found.periods] == [(10, 2), (6, 0)]
    assert found.ceiling("overridden") == 20
    assert found.columns("overridden")[0][0] == 100
    assert dict(found.outcomes) == {"success": 13, "data-required": 2, "erased": 1}
    assert found.classes == (("thrush", 15),)


def test_nothing_is_charted_as_nothing() -> None:
    found = summary([])
    assert (found.total, found.periods, found.tallest, found.incomplete.percent) == (0, (), 1, 0)
