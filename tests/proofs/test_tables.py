"""Each table of the content is complete and has no idle row: proved for every infant there can be.

Each proof is also run on a content with a fault, where it has to fail.
"""

from functools import cache
from typing import Any

import pytest

from tests.proofs.content import content
from tests.proofs.faults import OTHER_OP
from tests.proofs.prove import Prover

CONTENT = content()
TABLES = list(CONTENT.tables)


@cache
def prover() -> Prover:
    return Prover(CONTENT)


def wrong(table: str, place: int, when: Any) -> Prover:
    """The content with another condition in one row."""
    faulty = CONTENT.copy()
    faulty.tables[table]["rows"][place]["when"] = when
    return Prover(faulty)


def whens(table: str) -> list[Any]:
    return [row["when"] for row in CONTENT.tables[table]["rows"] if "when" in row]


def with_rows(count: int) -> list[str]:
    """The tables with so many conditions."""
    return [table for table in TABLES if len(whens(table)) >= count]


def with_last_row() -> list[str]:
    return [table for table, each in CONTENT.tables.items() if "when" not in each["rows"][-1]]


@pytest.mark.parametrize("table", TABLES)
def test_every_assessed_infant_has_one_outcome(table: str) -> None:
    assert prover().undecided(table) is None


@pytest.mark.parametrize("table", with_last_row())
def test_without_its_last_row_a_table_leaves_infants_out(table: str) -> None:
    faulty = CONTENT.copy()
    del faulty.tables[table]["rows"][-1]
    broken = Prover(faulty)
    nobody = [answer.no for answer in broken.encoded.tables[table].values()]
    assert broken.infant(broken.encoded.gates[table].yes, *nobody) is not None


@pytest.mark.parametrize("table", TABLES)
def test_a_row_that_tests_what_nobody_is_asked_leaves_infants_out(table: str) -> None:
    unasked = {"measure": "postmenstrual-age", "below": "40 wk"}
    assert wrong(table, 0, {"any": [*whens(table)[:1], unasked]}).undecided(table) is not None


@pytest.mark.parametrize("table", TABLES)
def test_every_row_gives_its_class_to_some_infant(table: str) -> None:
    assert prover().never_reached(table) == []


@pytest.mark.parametrize("table", TABLES)
def test_a_row_that_contradicts_itself_is_never_reached(table: str) -> None:
    first = CONTENT.tables[table]["rows"][0]["class"]
    when = whens(table)[0]
    assert first in wrong(table, 0, {"all": [when, {"none": [when]}]}).never_reached(table)


@pytest.mark.parametrize("table", TABLES)
def test_no_row_stands_in_the_shadow_of_those_above(table: str) -> None:
    assert prover().shadowed(table) == []


@pytest.mark.parametrize("table", with_rows(2))
def test_a_row_that_says_more_than_one_above_is_shadowed(table: str) -> None:
    one, two = whens(table)[:2]
    below = CONTENT.tables[table]["rows"][1]["class"]
    broken = wrong(table, 1, {"all": [one, {"any": [one, two]}]})
    assert broken.shadowed(table) == [below]
    assert below in broken.never_reached(table)


@pytest.mark.parametrize("table", TABLES)
def test_nothing_found_is_never_said_while_a_row_above_is_open(table: str) -> None:
    assert prover().too_early(table) is None


@pytest.mark.parametrize("table", with_last_row())
def test_nothing_found_would_be_said_too_early_with_a_condition_of_its_own(table: str) -> None:
    faulty = CONTENT.copy()
    last = faulty.tables[table]["rows"][-1]
    del last["otherwise"]
    last |= {"when": {"none": whens(table)[:1]}, "no-illness": "true"}
    if len(whens(table)) > 1:
        assert Prover(faulty).too_early(table) is not None


@pytest.mark.parametrize("table", TABLES)
def test_rows_for_other_ages_leave_no_age_out(table: str) -> None:
    assert prover().ages_left_out(table) == []


def test_above_for_at_least_leaves_the_age_of_the_limit_out() -> None:
    rows = CONTENT.tables["bacterial-infection"]["rows"]
    place = next(i for i, row in enumerate(rows) if row["class"] == "pneumonia")
    when = CONTENT.copy().tables["bacterial-infection"]["rows"][place]["when"]
    age = when["all"][0]
    assert age.pop("at-least") == "7 d"
    age[OTHER_OP["at-least"]] = "7 d"
    broken = wrong("bacterial-infection", place, when)
    assert broken.ages_left_out("bacterial-infection") == ["fast-breathing-0-6-days", "pneumonia"]


def test_a_table_asks_only_for_classes_of_the_tables_above_it() -> None:
    above: set[str] = set()
    for table in CONTENT.tables.values():
        assert now_asked(table) <= above
        above |= {row["class"] for row in table["rows"]}


def now_asked(written: Any) -> set[str]:
    if isinstance(written, dict):
        own = {written["now"]} if "now" in written else set()
        return own.union(*map(now_asked, written.values()))
    return set().union(*map(now_asked, written)) if isinstance(written, list) else set()
