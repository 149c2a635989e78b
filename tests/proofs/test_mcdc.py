"""Each test of each row decides alone: a pair of infants shows it, for every one of them.

The pairs are made with z3 from the content (`python -m tests.proofs.mcdc`) and kept in
pairs.yaml with their classes, so that a change of the content shows here.
"""

from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from cds_service.content.load import load
from cds_service.engine import decide
from tests.proofs.as_case import as_case
from tests.proofs.content import content
from tests.proofs.infant import read, written
from tests.proofs.mcdc import PAIRS, Asked, Maker, every_test, is_pair
from tests.proofs.world import World

CONTENT, PROTOCOL = content(), load()
TESTS = {test.name: test for test in every_test(CONTENT)}
KEPT = {each["pair"]: each for each in yaml.load(PAIRS.read_bytes(), yaml.CSafeLoader)}
IMPOSSIBLE = {
    each["test"]: each["reason"]
    for each in yaml.safe_load(Path(__file__).with_name("impossible.yaml").read_text())
}


def world_of(told: dict[str, Any]) -> World:
    return read(CONTENT, told["infant"])


def test_every_test_of_every_row_has_a_pair_or_a_reason() -> None:
    assert KEPT.keys() | IMPOSSIBLE.keys() == TESTS.keys()
    assert not KEPT.keys() & IMPOSSIBLE.keys()
    assert all(IMPOSSIBLE.values())


@pytest.mark.parametrize("name", KEPT)
def test_the_program_gives_the_class_of_each_infant(name: str) -> None:
    for told in (KEPT[name]["with"], KEPT[name]["without"]):
        assessment = decide(as_case(world_of(told), PROTOCOL), PROTOCOL).assessment
        classes = {held.table: held.code for held in assessment.classes}
        assert classes.get(TESTS[name].table, "none") == told["class"]


@pytest.mark.parametrize("name", KEPT)
def test_the_two_infants_differ_in_one_test_alone(name: str) -> None:
    pair = KEPT[name]
    assert is_pair(CONTENT, TESTS[name], world_of(pair["with"]), world_of(pair["without"]))


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_what_is_called_impossible_is(name: str) -> None:
    assert maker().pair(TESTS[name]) is None


def test_a_pair_is_not_one_when_another_test_decides() -> None:
    name = "critical-illness: apnoea decides"
    other: Asked = TESTS["critical-illness: unconscious decides"]
    one, two = (world_of(KEPT[name][which]) for which in ("with", "without"))
    assert is_pair(CONTENT, TESTS[name], one, two)
    assert not is_pair(CONTENT, other, one, two)
    assert not is_pair(CONTENT, TESTS[name], two, one)


def test_an_infant_is_written_and_read_the_same() -> None:
    for pair in KEPT.values():
        assert written(CONTENT, world_of(pair["with"])) == pair["with"]["infant"]
    with pytest.raises(ValueError, match="signs apnea"):
        read(CONTENT, {"signs apnea": "yes"})


@cache
def maker() -> Maker:
    return Maker(CONTENT)
