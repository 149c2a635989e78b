"""Doses recorded as a volume alone are judged by their product, or said not to be judged.

Clinical content, section 4: gentamicin 7.5 mg/kg (3.4 kg: 25 mg = 2.5 mL of 10 mg/mL); the vial of
80 mg in 2 mL is made up to 8 mL first, "never measure a small dose from undiluted 40 mg/mL" (ETH
seen); amoxicillin 125 mg in 5 mL and 250 mg in 5 mL. How far is too far: practice.
"""

import pytest

from cds_service.case import Case
from cds_service.content.text import render
from cds_service.engine.identity import canonical
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, HALF, dose
from tests.engine.test_edges import AT, PROTOCOL
from tests.engine.test_left_out import cautions, made, severe

DILUTED, READY = "gentamicin-vial-80mg-2ml", "gentamicin-vial-20mg-2ml"
WEAK, STRONG = "amoxicillin-suspension-125mg-5ml", "amoxicillin-suspension-250mg-5ml"


def given(medicine: str, measured: str, form: str = "", *, held: str = "") -> Case:
    content = Quantity.of(held, "mg") if held else None
    value, unit = measured.split()
    one = dose(medicine, AT - HALF)._replace(
        measured=Quantity.of(value, unit), formulation=form, contained=content
    )
    return severe(given=(one,))


def judged(known: Case) -> tuple[str, str]:
    """The code and the severity of what is said of the dose."""
    told = cautions(made(known))
    codes = [code for code in told if code.startswith("dose-given")]
    return (codes[0], told[codes[0]]) if codes else ("", "")


NOT_JUDGED, HIGH, TOO_HIGH = "dose-given-not-judged", "dose-given-high", "dose-given-too-high"
LOW = "dose-given-low"


@pytest.mark.parametrize(
    ("medicine", "measured", "form", "said"),
    [
        # One strength as it is measured: the volume says what was in it.
        ("gentamicin", "2.5 mL", READY, ("", "")),
        ("gentamicin", "2.8 mL", READY, (HIGH, "moderate")),
        ("gentamicin", "3.8 mL", READY, (TOO_HIGH, "high")),
        ("gentamicin", "1.8 mL", READY, (LOW, "moderate")),
        ("amoxicillin", "5 mL", WEAK, ("", "")),
        ("amoxicillin", "5 mL", STRONG, (TOO_HIGH, "high")),
        # Of what is diluted first a volume about as due is taken for the diluted one.
        ("gentamicin", "2.5 mL", DILUTED, ("", "")),
        ("gentamicin", "3.5 mL", DILUTED, (HIGH, "moderate")),
        # Else it may be either: too much in both, in neither, or not known.
        ("gentamicin", "8 mL", DILUTED, (TOO_HIGH, "high")),
        ("gentamicin", "0.6 mL", DILUTED, (NOT_JUDGED, "low")),
        ("gentamicin", "0.4 mL", DILUTED, (LOW, "moderate")),
        ("gentamicin", "1.5 mL", DILUTED, (NOT_JUDGED, "moderate")),
        # No product: whatever it was of.
        ("gentamicin", "8 mL", "", (TOO_HIGH, "high")),
        ("gentamicin", "2.5 mL", "", (NOT_JUDGED, "moderate")),
        ("gentamicin", "0.6 mL", "", (NOT_JUDGED, "low")),
        ("gentamicin", "0.4 mL", "", (LOW, "moderate")),
        ("amoxicillin", "5 mL", "", (NOT_JUDGED, "moderate")),
        ("amoxicillin", "2.5 mL", "", (NOT_JUDGED, "low")),
        ("amoxicillin", "0.5 {tbl}", "amoxicillin-tablet-250mg", ("", "")),
        ("amoxicillin", "2 {tbl}", "", (TOO_HIGH, "high")),
        # Measured in what no product of the medicine is measured in.
        ("gentamicin", "1 {tbl}", "", (NOT_JUDGED, "low")),
    ],
)
def test_a_volume_alone_is_judged_or_said(
    medicine: str, measured: str, form: str, said: tuple[str, str]
) -> None:
    assert judged(given(medicine, measured, form)) == said


def words(known: Case, code: str) -> str:
    (one,) = [each for each in made(known).plan.cautions if each.code == code]
    assert one.origins == (known.given[0].origin,)
    return str(render(PROTOCOL, one.message))


def test_what_could_not_be_judged_names_what_was_due_and_what_to_find_out() -> None:
    told = words(given("gentamicin", "2.5 mL"), NOT_JUDGED)
    assert "a dose of 2.5 mL is recorded as given" in told
    assert "whether it was measured before or after it was diluted; 25 mg was due" in told


def test_what_is_worked_out_is_told_with_the_volume() -> None:
    known = given("gentamicin", "3.8 mL", READY)
    assert "a dose of 3.8 mL with 38 mg in it is recorded" in words(known, TOO_HIGH)
    assert "8 mL with at least 80 mg in it" in words(given("gentamicin", "8 mL"), TOO_HIGH)
    assert "0.4 mL with at most 16 mg in it" in words(given("gentamicin", "0.4 mL"), LOW)


def test_what_the_record_says_to_be_in_it_counts_before_any_product() -> None:
    assert judged(given("gentamicin", "2.5 mL", DILUTED, held="100")) == (TOO_HIGH, "high")
    assert judged(given("gentamicin", "2.5 mL", held="25")) == ("", "")


def test_without_a_weight_the_ceiling_is_named_or_that_nothing_is_known() -> None:
    for medicine, due in (("gentamicin", "at most 60 mg"), ("ampicillin", "an amount that is not")):
        known = given(medicine, "2 mL")
        kept = tuple(one for one in known.measurements if one.kind != "weight")
        assert f"diluted; {due}" in words(replace(known, measurements=kept), NOT_JUDGED)


def test_a_dose_of_an_earlier_illness_is_not_spoken_of() -> None:
    known = given("gentamicin", "2.5 mL")
    old = known.given[0]._replace(at=AT - 9 * DAY)
    assert judged(replace(known, given=(old,))) == ("", "")


def test_two_cases_that_differ_in_the_volume_or_its_product_have_two_names() -> None:
    names = {
        canonical(given("gentamicin", *told)) for told in (("2 mL",), ("3 mL",), ("2 mL", READY))
    }
    assert len(names) == 3
