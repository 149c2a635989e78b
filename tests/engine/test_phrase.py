"""Words for numbers: the same in FHIR texts, labels and plain text."""

from datetime import date
from decimal import Decimal

import pytest

from cds_service.content.model import Cite
from cds_service.content.text import render
from cds_service.engine import phrase
from cds_service.engine.dose_notes import far_from_target
from cds_service.quantity import Quantity
from tests.fhir.decisions import amoxicillin, gentamicin, protocol, visit


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        ("0.5", "{tbl}", "half a tablet"),
        ("1", "{tbl}", "1 tablet"),
        ("1.0", "{tbl}", "1 tablet"),
        ("1.5", "{tbl}", "1 and a half tablets"),
        ("7", "{tbl}", "7 tablets"),
        ("1", "{bottle}", "1 bottle"),
        ("2", "{bottle}", "2 bottles"),
        ("1", "{vial}", "1 vial"),
        ("3", "{vial}", "3 vials"),
        ("2.50", "mL", "2.5 mL"),
        ("150000", "[iU]", "150000 IU"),
    ],
)
def test_an_amount_is_said_as_it_is_measured(value: str, unit: str, words: str) -> None:
    assert render(protocol(), phrase.amount(Quantity(Decimal(value), unit))) == words


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (1, "once a day"),
        (2, "twice a day"),
        (3, "three times a day"),
        (4, "four times a day"),
        (6, "6 times a day"),
    ],
)
def test_how_often_a_day(times: int, words: str) -> None:
    assert render(protocol(), phrase.times(times)) == words


def test_one_day_is_not_days() -> None:
    assert render(protocol(), phrase.days(1)) == "1 day"
    assert render(protocol(), phrase.days(2)) == "2 days"


@pytest.mark.parametrize("month", range(1, 13))
def test_every_month_and_weekday_has_a_name(month: int) -> None:
    on = date(2026, month, month)
    assert render(protocol(), phrase.day(on)) == f"{on:%A} {month} {on:%B} 2026"


def test_half_days_left_count_as_days() -> None:
    assert phrase.days_to_give(amoxicillin(doses=13)) == 7
    assert phrase.days_to_give(amoxicillin(doses=12)) == 6


@pytest.mark.parametrize(
    ("order", "kind"),
    [
        (gentamicin("refer"), "once"),
        (amoxicillin(), "first"),
        (amoxicillin(doses=13), "next"),
    ],
)
def test_a_dose_is_the_only_one_the_first_or_the_next(order: object, kind: str) -> None:
    assert phrase.due_kind(order) == kind  # type: ignore[arg-type]


def test_a_rule_without_source_says_so() -> None:
    assert render(protocol(), phrase.cited(Cite((), "practice"))) == "common practice, no source"
    assert render(protocol(), phrase.cited(Cite(("P20", "L18"), "seen"))) == "P20, L18; words seen"


def test_a_dose_per_kilogram_is_rounded_half_up_for_print_only() -> None:
    # 125 mg / 3.4 kg = 36.76 mg/kg (derived)
    assert "36.8 mg/kg per dose" in render(protocol(), phrase.contained(amoxicillin()))


def test_numbers_never_have_an_exponent() -> None:
    assert phrase.number(Decimal("1E+3")) == "1000"
    assert phrase.number(Decimal("0.0000001")) == "0.0000001"
    assert phrase.number(Decimal("-0")) == "0"
    assert phrase.number(7) == "7"


def test_what_is_in_a_dose_is_told_by_the_dose_and_by_the_day() -> None:
    # 2 x 125 mg / 3.4 kg = 73.53, 25 mg / 3.4 kg = 7.35 (derived)
    course = render(protocol(), phrase.contained(amoxicillin()))
    assert "36.8 mg/kg per dose, 73.5 mg/kg per day, for a weight of 3.4 kg" in course
    once = render(protocol(), phrase.contained(gentamicin("refer")))
    assert once == "The dose contains 25 mg: 7.4 mg/kg, for a weight of 3.4 kg."


def test_how_much_to_hand_out_or_to_open() -> None:
    assert (
        render(protocol(), phrase.hand_out(amoxicillin())) == "Hand out for all of it: 7 tablets."
    )
    assert render(protocol(), phrase.hand_out(gentamicin())) == "Open for all of it: 7 vials."


def test_a_visit_is_on_a_day_or_on_every_day_between_two() -> None:
    # 4 March 2026 is a Wednesday.
    on, daily = phrase.visit(visit("x", 2)), phrase.visit(visit("x", 1, until=6))
    assert render(protocol(), on) == "Come back on Friday 6 March 2026."
    assert render(protocol(), daily) == (
        "Come back every day from Thursday 5 March 2026 until Tuesday 10 March 2026."
    )


@pytest.mark.parametrize(
    ("code", "key"),
    [
        ("jaundice", "sign.jaundice"),
        ("temperature", "measure.temperature"),
        ("age", "measure.age"),
        ("sex", "measure.sex"),
        ("amoxicillin", "medicine.amoxicillin"),
        ("earlier.pneumonia", "test.earlier"),
    ],
)
def test_a_fact_is_named_as_what_it_is(code: str, key: str) -> None:
    named = phrase.fact(protocol(), code)
    assert named.key == key
    assert render(protocol(), named)


@pytest.mark.parametrize(
    ("given", "far"), [("75", False), ("74.9", True), ("150", False), ("150.1", True)]
)
def test_a_dose_is_far_beyond_half_above_or_a_quarter_below_its_target(
    given: str, far: bool
) -> None:
    # deviation-high 50 %, deviation-low 25 % (derived).
    medicine = protocol().medicine_by_code["amoxicillin"]
    form, target = medicine.formulations[0], Quantity(Decimal(100), "mg")
    told = far_from_target(protocol(), medicine, form, Quantity(Decimal(given), "mg"), target)
    assert bool(list(told)) is far
