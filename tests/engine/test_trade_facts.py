"""Facts of the trade, used as check values: common practice, no source.

A baby of 3.4 kg, the amount, the course, and how it is prepared and given.
"""

from decimal import Decimal

import pytest

from cds_service.content.load import load
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.model import Order
from tests.engine.cases import read

PROTOCOL = load()
SYRUP = "amoxicillin-suspension-125mg-5ml"
TABLETS = ("amoxicillin-dispersible-tablet-250mg", "amoxicillin-tablet-250mg")


def amoxicillin(form: str) -> Order:
    """Amoxicillin for a baby of 3.4 kg with pneumonia, in one form."""
    infant = {"age": "20 d", "weight": "3.4 kg", "temperature": "37.0 Cel", "breaths": [64, 62]}
    written = {"case": "-", "source": "-", "infant": infant, "in stock": [form], "expect": {}}
    (order,) = decide(read(written).case, PROTOCOL).plan.orders
    return order


def instructions(form: str) -> str:
    """What the caregiver is told, in one line of lower-case text."""
    order = amoxicillin(form)
    return " ".join(render(PROTOCOL, message) for message in order.instructions).lower()


def test_a_baby_of_three_point_four_kilos_gets_one_teaspoon_of_syrup() -> None:
    order = amoxicillin(SYRUP)
    assert (order.dose.amount.value, order.dose.amount.unit) == (Decimal(5), "mL")
    assert (order.times_a_day, order.days) == (2, 7)


@pytest.mark.parametrize("form", TABLETS)
def test_a_baby_of_three_point_four_kilos_gets_half_a_tablet(form: str) -> None:
    order = amoxicillin(form)
    assert (order.dose.amount.value, order.dose.amount.unit) == (Decimal("0.5"), "{tbl}")
    assert (order.times_a_day, order.days) == (2, 7)


@pytest.mark.parametrize("form", TABLETS)
def test_seven_tablets_serve_the_course(form: str) -> None:
    assert amoxicillin(form).packs == 7


def test_the_bottles_handed_out_hold_the_whole_course() -> None:
    order = amoxicillin(SYRUP)
    assert order.packs * order.dose.formulation.pack_size.value >= 14 * 5


@pytest.mark.parametrize("form", [SYRUP, *TABLETS])
def test_a_dose_spat_out_or_vomited_within_ten_minutes_is_repeated(form: str) -> None:
    told = instructions(form)
    assert "10 min" in told
    assert "repeat" in told
    assert "vomit" in told


def test_a_teaspoon_is_taken_as_five_millilitres_and_checked_with_a_syringe() -> None:
    told = instructions(SYRUP)
    assert "teaspoon" in told
    assert "5 ml" in told
    assert "syringe" in told


def test_the_dispersible_tablet_goes_into_one_or_two_teaspoons() -> None:
    told = instructions("amoxicillin-dispersible-tablet-250mg")
    assert "one or two teaspoons" in told
    assert "breast milk" in told
    assert "clean water" in told


def test_the_water_for_the_syrup_is_boiled_and_cooled() -> None:
    told = instructions(SYRUP)
    assert "boiled" in told
    assert "cooled" in told
