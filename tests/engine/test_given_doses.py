"""A dose recorded as given that held far more or less than was due is said, with both amounts.

Clinical content, section 4: gentamicin 7.5 mg/kg (3.4 kg: 25 mg as measured), no single dose above
60 mg; amoxicillin hard maximum 85 mg/kg; the limits are those of the content for orders (practice).
"""

from datetime import timedelta

import pytest

from cds_service.case import Case
from cds_service.content.text import render
from cds_service.engine.identity import canonical
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, HALF, course, dose, follow_up, order, vomit
from tests.engine.test_edges import AT, PROTOCOL
from tests.engine.test_left_out import cautions, made, severe

VIAL = frozenset({"gentamicin-vial-80mg-2ml", "amoxicillin-dispersible-tablet-250mg"})


def given(medicine: str, held: str, unit: str = "mg", **changes: object) -> Case:
    one = dose(medicine, AT - HALF)._replace(contained=Quantity.of(held, unit))
    return severe(given=(one,), stock=VIAL, **changes)


@pytest.mark.parametrize(
    ("medicine", "held", "code", "severity"),
    [
        ("gentamicin", "2.5", "dose-given-low", "moderate"),  # a slip of ten
        ("gentamicin", "18.7", "dose-given-low", "moderate"),
        ("gentamicin", "18.75", "", ""),  # a quarter less, no more
        ("gentamicin", "25", "", ""),
        ("gentamicin", "27.5", "", ""),  # a tenth more, no more
        ("gentamicin", "27.6", "dose-given-high", "moderate"),
        ("gentamicin", "37.5", "dose-given-high", "moderate"),  # half as much again, no more
        ("gentamicin", "37.6", "dose-given-too-high", "high"),
        ("gentamicin", "80", "dose-given-too-high", "high"),
        ("amoxicillin", "125", "", ""),
        ("amoxicillin", "62.5", "dose-given-low", "moderate"),  # a quarter of a tablet
        ("amoxicillin", "250", "dose-given-too-high", "high"),
    ],
)
def test_a_dose_that_held_more_or_less_than_was_due_is_said(
    medicine: str, held: str, code: str, severity: str
) -> None:
    told = cautions(made(given(medicine, held)))
    assert {each for each in told if each.startswith("dose-given")} == ({code} if code else set())
    assert told.get(code, "") == severity


def test_both_amounts_are_named_and_what_to_do() -> None:
    decision = made(given("gentamicin", "80"))
    (one,) = [each for each in decision.plan.cautions if each.code == "dose-given-too-high"]
    said = str(render(PROTOCOL, one.message))
    assert "a dose of 80 mg is recorded as given" in said
    assert "25 mg was due" in said
    assert "telephone at once, and refer" in said
    assert one.origins == (decision.case.given[0].origin,)


def test_after_too_little_the_course_goes_on_and_nobody_is_told_to_double() -> None:
    one = dose("gentamicin", AT - DAY)._replace(contained=Quantity.of("2.5", "mg"))
    runs = follow_up(AT - DAY, given=(one,), in_use=(order("gentamicin", AT - DAY),))
    decision = made(runs)
    (found,) = [each for each in decision.plan.cautions if each.code == "dose-given-low"]
    said = str(render(PROTOCOL, found.message))
    assert "a dose of 2.5 mg is recorded as given" in said
    assert "25 mg was due" in said
    assert "telephone for advice whether more is to be given" in said
    assert "in full at its time, never a double one" in said
    assert found.origins == (decision.case.given[0].origin,)
    assert course(decision.plan, "gentamicin").state == "continue"


def test_what_was_vomited_is_not_too_little_and_what_changes_by_the_day_neither() -> None:
    lost = dose("amoxicillin", AT - timedelta(minutes=20))._replace(
        contained=Quantity.of("25", "mg")
    )
    assert "dose-given-low" in cautions(made(severe(given=(lost,), stock=VIAL)))
    known = severe(given=(lost,), stock=VIAL)
    known = replace(known, findings=(*known.findings, vomit(15)))
    assert "dose-given-low" not in cautions(made(known))
    each_day = dose("nevirapine", AT - DAY)._replace(contained=Quantity.of("1", "mg"))
    assert "dose-given-low" not in cautions(made(severe(given=(each_day,))))


def test_without_a_weight_nothing_is_too_little() -> None:
    known = given("gentamicin", "0.1")
    kept = tuple(one for one in known.measurements if one.kind != "weight")
    assert "dose-given-low" not in cautions(made(replace(known, measurements=kept)))


def test_no_further_dose_is_ordered_or_gone_on_with() -> None:
    one = dose("gentamicin", AT - DAY)._replace(contained=Quantity.of("80", "mg"))
    runs = follow_up(AT - DAY, given=(one,), in_use=(order("gentamicin", AT - DAY),))
    known = course(made(runs).plan, "gentamicin")
    assert (known.state, known.next_due) == ("hold", None)
    unordered = made(replace(runs, in_use=()))
    assert "gentamicin" not in {each.dose.medicine.code for each in unordered.plan.orders}
    assert "dose-given-too-high" in cautions(unordered)


def test_without_a_weight_the_ceiling_is_what_judges() -> None:
    # Section 4: no single dose above 60 mg of gentamicin at this age.
    for held, above in (("60", False), ("61", True)):
        known = given("gentamicin", held)
        kept = tuple(one for one in known.measurements if one.kind != "weight")
        decision = made(replace(known, measurements=kept))
        found = [each for each in decision.plan.cautions if each.code == "dose-given-too-high"]
        assert bool(found) is above
        if found:
            assert "at most 60 mg was due" in str(render(PROTOCOL, found[0].message))


def test_a_dose_of_an_unknown_time_is_judged_too() -> None:
    known = given("gentamicin", "80")
    (one,) = known.given
    decision = made(replace(known, given=(one._replace(at=None),)))
    (found,) = [each for each in decision.plan.cautions if each.code == "dose-given-too-high"]
    assert "at a time that is not known" in str(render(PROTOCOL, found.message))


def test_a_dose_of_an_earlier_illness_is_not_judged() -> None:
    old = dose("gentamicin", AT - 9 * DAY)._replace(contained=Quantity.of("80", "mg"))
    assert "dose-given-too-high" not in cautions(made(severe(given=(old,), stock=VIAL)))


def test_another_unit_is_not_compared() -> None:
    assert "dose-given-too-high" not in cautions(made(given("gentamicin", "80", "[iU]")))


def test_two_cases_that_differ_in_what_was_given_have_two_names() -> None:
    assert canonical(given("gentamicin", "80")) != canonical(given("gentamicin", "25"))
