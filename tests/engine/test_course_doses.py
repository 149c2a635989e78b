"""One dose of a running course: never a volume alone, never a guess of what the order meant.

Clinical content, section 4: always print strength and volume together; the mg and the mg/kg;
vials of 80 mg/2 mL + 6 mL sterile water = 10 mg/mL, never measured undiluted (ETH seen); section
3: rule, age and weight of treatment day 1 hold. The figures are worked out by hand beside them.
"""

import pytest

from cds_service.case import Case, MedicineInUse
from cds_service.content.text import render
from cds_service.engine.course_words import details
from cds_service.engine.model import Decision
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, course, dose, follow_up, order, slots
from tests.engine.test_edges import AT, PROTOCOL, measured
from tests.engine.test_left_out import cautions, made

VIAL_80, VIAL_20 = "gentamicin-vial-80mg-2ml", "gentamicin-vial-20mg-2ml"
ML_25, MG_25 = Quantity.of("2.5", "mL"), Quantity.of("25", "mg")
ADD_WATER = "Add 6 mL of sterile water to the vial (80 mg/2 mL), so that it holds 80 mg in 8 mL."
NEVER = "Never measure a baby's dose from the vial undiluted."


def case(medicine: str, stock: set[str] | None, **changes: object) -> Case:
    """Day 3 of a course by order; 3.4 kg: gentamicin 7.5 mg/kg = 25.5 mg, 2.5 mL down."""
    times = slots(medicine, 3)
    use: MedicineInUse = order(medicine, times[0])._replace(**changes)  # type: ignore[arg-type]
    known = follow_up(times[0], given=tuple(dose(medicine, at) for at in times), in_use=(use,))
    return replace(known, stock=None if stock is None else frozenset(stock))


def told(decision: Decision, medicine: str) -> str:
    one = course(decision.plan, medicine)
    return " ".join(str(render(PROTOCOL, each)) for each in details(one))


def test_a_volume_alone_is_never_the_whole_instruction() -> None:
    decision = made(case("gentamicin", {VIAL_80}, amount=ML_25))
    words = told(decision, "gentamicin")
    assert course(decision.plan, "gentamicin").state == "continue"
    assert "Each dose as ordered: 2.5 mL. The order does not say of which product" in words
    assert "Due by the rule of the first day, of gentamicin vial, 80 mg/2 mL: " in words
    assert "2.5 mL = 25 mg (80 mg in 8 mL), 7.4 mg/kg for a weight of 3.4 kg." in words
    assert f"{ADD_WATER} {NEVER}" in words
    assert "20 mg/2 mL" not in words
    assert "give no dose before whoever wrote the order has been asked" in words


def test_without_a_stock_every_product_is_told_with_its_strength() -> None:
    words = told(made(case("gentamicin", None, amount=ML_25)), "gentamicin")
    assert "of gentamicin vial, 20 mg/2 mL: 2.5 mL = 25 mg (20 mg in 2 mL)" in words
    assert "Use the vial as it is: 20 mg in 2 mL." in words
    assert "of gentamicin vial, 80 mg/2 mL: 2.5 mL = 25 mg (80 mg in 8 mL)" in words
    assert NEVER in words


def test_a_named_product_makes_the_dose_certain() -> None:
    known = case("gentamicin", None, amount=ML_25, formulation=VIAL_80)
    words = told(made(known), "gentamicin")
    assert "Each dose as ordered: 2.5 mL = 25 mg (80 mg in 8 mL) of gentamicin vial" in words
    assert "7.4 mg/kg for a weight of 3.4 kg" in words
    assert ADD_WATER in words
    assert "Due by the rule" not in words


def test_a_volume_of_a_named_vial_that_may_be_undiluted_is_not_taken_as_diluted() -> None:
    # 0.6 mL undiluted are 24 mg, diluted 6 mg: which was meant is not guessed, the course waits.
    known = case("gentamicin", None, amount=Quantity.of("0.6", "mL"), formulation=VIAL_80)
    decision = made(known)
    words = told(decision, "gentamicin")
    assert course(decision.plan, "gentamicin").state == "hold"
    assert "Each dose as ordered: 0.6 mL. The order does not say" in words
    assert "6 mg" not in words
    (caution,) = [each for each in decision.plan.cautions if each.code == "course-differs"]
    assert "2.5 mL = 25 mg" in str(render(PROTOCOL, caution.message))


def test_an_order_in_milligrams_says_how_much_to_measure() -> None:
    words = told(made(case("gentamicin", {VIAL_80}, amount=MG_25)), "gentamicin")
    assert "Each dose as ordered: 25 mg = 2.5 mL (80 mg in 8 mL) of gentamicin vial" in words
    assert ADD_WATER in words


def test_milligrams_are_measured_as_the_rule_rounds_never_above_it() -> None:
    # Section 4: the 7.5 rule rounds down: 25.5 mg are 2.5 mL of 10 mg/mL, not 2.6 (7.6 mg/kg).
    known = case("gentamicin", {VIAL_80}, amount=Quantity.of("25.5", "mg"))
    assert "25.5 mg = 2.5 mL (80 mg in 8 mL)" in told(made(known), "gentamicin")


@pytest.mark.parametrize("weight", [None, "3.4"])
def test_milligrams_are_measured_also_without_a_weight(weight: str | None) -> None:
    known = case("gentamicin", {VIAL_80}, amount=Quantity.of("25.7", "mg"))
    if weight is None:
        kept = tuple(one for one in known.measurements if one.kind != "weight")
        known = replace(known, measurements=kept)
    words = told(made(known), "gentamicin")
    assert "25.7 mg = 2.5 mL (80 mg in 8 mL)" in words
    assert ("mg/kg" in words) is (weight is not None)


def test_what_cannot_be_measured_near_enough_of_a_product_is_not_told_for_it() -> None:
    # 100 mg of amoxicillin: 4 mL of 125 mg/5 mL; no half tablet of 250 mg (125 mg) is within 10 %.
    known = case("amoxicillin", None, amount=Quantity.of("100", "mg"))
    words = told(made(known), "amoxicillin")
    assert "125 mg/5 mL: 100 mg = 4 mL (125 mg in 5 mL)" in words
    assert "half a tablet" not in words


def test_an_order_with_both_amounts_names_the_strength() -> None:
    known = case("gentamicin", None, amount=ML_25, contained=MG_25)
    decision = made(known)
    words = told(decision, "gentamicin")
    assert course(decision.plan, "gentamicin").state == "continue"
    assert "Of gentamicin vial, 80 mg/2 mL: 2.5 mL = 25 mg (80 mg in 8 mL)" in words
    assert "Of gentamicin vial, 20 mg/2 mL: 2.5 mL = 25 mg (20 mg in 2 mL)" in words


def test_both_amounts_that_are_of_no_product_stop_the_next_dose() -> None:
    # 2.5 mL of the undiluted 40 mg/mL are 100 mg: four times what is due.
    known = case("gentamicin", None, amount=ML_25, contained=Quantity.of("100", "mg"))
    decision = made(known)
    assert course(decision.plan, "gentamicin").state == "hold"
    (caution,) = [each for each in decision.plan.cautions if each.code == "course-differs"]
    said = str(render(PROTOCOL, caution.message))
    assert "the order says 2.5 mL with 100 mg in it" in said
    assert "2.5 mL = 25 mg (80 mg in 8 mL)" in said or "2.5 mL = 25 mg (20 mg in 2 mL)" in said


def test_both_amounts_near_what_is_due_but_of_another_strength_stop_it_too() -> None:
    # 2.5 mL and 20 mg each lie near the due dose; together they are of no product (8 mg/mL).
    known = case("gentamicin", None, amount=ML_25, contained=Quantity.of("20", "mg"))
    assert course(made(known).plan, "gentamicin").state == "hold"


def test_a_named_syrup_is_held_against_its_own_dose() -> None:
    # 5 mL of 250 mg/5 mL are 250 mg, 74 mg/kg; of 125 mg/5 mL they would be the dose that is due.
    strong = {"amount": Quantity.of("5", "mL"), "formulation": "amoxicillin-suspension-250mg-5ml"}
    assert course(made(case("amoxicillin", None, **strong)).plan, "amoxicillin").state == "hold"
    weak = strong | {"formulation": "amoxicillin-suspension-125mg-5ml"}
    decision = made(case("amoxicillin", None, **weak))
    assert course(decision.plan, "amoxicillin").state == "continue"
    assert "Make up the bottle once" in told(decision, "amoxicillin")


def test_a_bottle_of_another_strength_in_stock_is_told_as_due_beside_what_is_ordered() -> None:
    known = case("amoxicillin", {"amoxicillin-suspension-250mg-5ml"}, amount=Quantity.of("5", "mL"))
    words = told(made(known), "amoxicillin")
    assert "Each dose as ordered: 5 mL." in words
    assert "2.5 mL = 125 mg (250 mg in 5 mL)" in words


def test_tablets_without_a_strength_are_told_beside_what_is_due_of_tablets() -> None:
    known = case("amoxicillin", None, amount=Quantity.of("0.5", "{tbl}"))
    words = told(made(known), "amoxicillin")
    assert "half a tablet = 125 mg (250 mg in 1 tablet)" in words
    assert "1 tablet = 125 mg (125 mg in 1 tablet)" in words
    assert "suspension" not in words


def test_an_order_without_an_amount_is_told_what_is_due() -> None:
    words = told(made(case("gentamicin", {VIAL_80})), "gentamicin")
    assert "The order does not say how much is given. Due by the rule" in words
    assert "2.5 mL = 25 mg (80 mg in 8 mL)" in words


def test_stock_that_has_none_of_it_is_told_every_product() -> None:
    words = told(made(case("gentamicin", {"ampicillin-vial-250mg"}, amount=ML_25)), "gentamicin")
    assert "80 mg in 8 mL" in words
    assert "20 mg in 2 mL" in words


def test_without_a_weight_what_is_due_is_said_to_be_unknown() -> None:
    known = case("gentamicin", {VIAL_80}, amount=ML_25)
    kept = tuple(one for one in known.measurements if one.kind != "weight")
    words = told(made(replace(known, measurements=kept)), "gentamicin")
    assert "What is due cannot be worked out here: There is no weight." in words
    assert "mg in 8 mL" not in words


def test_below_one_kilogram_no_dose_is_told() -> None:
    # Section 3: below 1.0 kg no dose shown, phone.
    known = case("amoxicillin", None, amount=Quantity.of("1", "mL"))
    kept = tuple(one for one in known.measurements if one.kind != "weight")
    light = replace(known, measurements=(*kept, measured("weight", "0.9", "kg")))
    words = told(made(light), "amoxicillin")
    assert "What is due cannot be worked out here" in words
    assert "Due by the rule" not in words


def test_the_weight_of_the_first_day_is_the_one_that_is_told() -> None:
    # Section 3: 3.0 kg on day 1: 7.5 x 3.0 = 22.5 mg, 2.2 mL; 3.4 kg today.
    known = case("gentamicin", {VIAL_80}, amount=Quantity.of("2.2", "mL"))
    first = measured("weight", "3.0", "kg", at=AT - 2 * DAY)
    words = told(made(replace(known, measurements=(*known.measurements, first))), "gentamicin")
    assert "2.2 mL = 22 mg (80 mg in 8 mL), 7.3 mg/kg for a weight of 3 kg" in words


def test_units_that_are_not_of_the_medicine_are_told_as_they_stand_beside_what_is_due() -> None:
    known = case("gentamicin", {VIAL_80}, amount=Quantity.of("25", "[iU]"))
    words = told(made(known), "gentamicin")
    assert "Each dose as ordered: 25 IU. The order does not say of which product" in words
    assert "2.5 mL = 25 mg (80 mg in 8 mL)" in words


def test_a_fixed_amount_is_told_without_a_weight() -> None:
    # Section 4: nystatin 100,000 U/mL, 1 mL four times a day, whatever the weight.
    known = case("gentamicin", None, a_day=4, amount=Quantity.of("1", "mL"))
    use = known.in_use[0]._replace(medicine="nystatin")
    kept = tuple(one for one in known.measurements if one.kind != "weight")
    given = tuple(each._replace(medicine="nystatin") for each in known.given)
    nystatin = replace(known, measurements=kept, given=given, in_use=(use,))
    words = told(made(nystatin), "nystatin")
    assert "1 mL = 100000 IU" in words
    assert "IU/kg" not in words


def test_what_is_stopped_or_waits_is_not_made_ready() -> None:
    times = slots("gentamicin", 8)
    use = order("gentamicin", times[0], amount=ML_25)
    known = follow_up(times[0], given=tuple(dose("gentamicin", at) for at in times), in_use=(use,))
    decision = made(known)
    assert course(decision.plan, "gentamicin").state == "stop"
    assert "mL" not in told(decision, "gentamicin")
    assert "course-complete" in cautions(decision)
