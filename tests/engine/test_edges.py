"""The corners of the engine that no clinical case reaches with the packaged content.

Content is changed here only to see a check fail (derived from the design, decision 8).
"""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from cds_service.case import Age, Answer, Case, Finding, GivenDose, Measurement, Origin, Refusal
from cds_service.content.load import load
from cds_service.content.medicine import Medicine, PerKg
from cds_service.content.model import Cite, FindingTest, Group, Message, Number
from cds_service.content.plans import PlanCaution
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.assessment_model import Weight
from cds_service.engine.conditions import evaluate
from cds_service.engine.dose import make_dose
from cds_service.engine.dose_notes import per_kg_volume
from cds_service.engine.facts import Facts, hours_old
from cds_service.engine.model import Dose, NoDose
from cds_service.engine.settle import settle
from cds_service.engine.words import reading, refused, said
from cds_service.quantity import Quantity, QuantityError, convertible
from tests.changing import replace

PROTOCOL = load()
AT = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
CITE = Cite((), "derived")
YES, NO, UNKNOWN = Answer.YES, Answer.NO, Answer.NOT_ASSESSED


def measured(
    kind: str, value: str, unit: str, at: datetime | None = AT, **more: object
) -> Measurement:
    return Measurement(kind, Quantity.of(value, unit), at, Origin(f"Observation/{kind}"), **more)  # type: ignore[arg-type]


def found(code: str, answer: Answer, at: datetime | None = AT, *, sure: bool = True) -> Finding:
    return Finding(code, answer, at, Origin(f"Observation/{code}"), preliminary=not sure)


def case(*facts: Finding | Measurement, age: int | None = 12, **more: object) -> Case:
    return Case(
        "Patient/1",
        AT,
        AT,
        None if age is None else Age(age, age),
        findings=tuple(one for one in facts if isinstance(one, Finding)),
        measurements=tuple(one for one in facts if isinstance(one, Measurement)),
        **more,  # type: ignore[arg-type]
    )


def facts(*known: Finding | Measurement, age: int | None = 12) -> Facts:
    return settle(case(*known, age=age), PROTOCOL)


def dose_of(medicine: Medicine, kg: str) -> Dose | NoDose:
    protocol = replace(PROTOCOL, medicines=(medicine,))
    return make_dose(medicine, Facts(case(), protocol), Decimal(kg))


def with_rule(medicine: Medicine, **changes: object) -> Medicine:
    rule = medicine.rules[0]
    assert isinstance(rule.per_kg, PerKg)
    return replace(medicine, rules=(replace(rule, per_kg=replace(rule.per_kg, **changes)),))  # type: ignore[arg-type]


def kilograms(value: str) -> Number:
    return Number(Decimal(value), "mg/kg", CITE)


AMPICILLIN = PROTOCOL.medicine_by_code["ampicillin"]


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ((YES, YES, UNKNOWN), YES),
        ((YES, NO, UNKNOWN), UNKNOWN),
        ((YES, NO, NO), NO),
        ((UNKNOWN, UNKNOWN, NO), UNKNOWN),
    ],
)
def test_two_of_three_signs_is_three_valued(answers: tuple[Answer, ...], expected: Answer) -> None:
    codes = ("sunken-eyes", "skin-pinch-slow", "restless-irritable")
    group = Group("at-least", tuple(FindingTest(code, YES, CITE) for code in codes), 2)
    known = facts(*(found(c, a) for c, a in zip(codes, answers, strict=True)))
    assert evaluate(group, known) is expected


@pytest.mark.parametrize(("answer", "expected"), [(YES, NO), (NO, YES), (UNKNOWN, UNKNOWN)])
def test_none_of_a_sign_is_its_opposite(answer: Answer, expected: Answer) -> None:
    group = Group("none", (FindingTest("jaundice", YES, CITE),))
    assert evaluate(group, facts(found("jaundice", answer))) is expected


def test_counts_without_a_time_are_taken_as_a_pair() -> None:
    counts = [measured("respiratory-rate", value, "/min", None) for value in ("64", "62")]
    held = decide(case(*counts, measured("temperature", "37", "Cel")), PROTOCOL).assessment
    assert held.holds("pneumonia")
    assert "no-time" in {caution.code for caution in held.cautions}


def test_a_preliminary_value_and_answer_are_used_with_a_caution() -> None:
    known = facts(
        measured("temperature", "38.2", "Cel", preliminary=True),
        found("convulsions", YES, sure=False),
    )
    assert known.answer("convulsions") is YES
    assert [caution.code for caution in known.cautions] == ["preliminary", "preliminary"]


def test_two_answers_without_a_time_are_asked_again() -> None:
    known = facts(found("referral-possible", YES, None), found("referral-possible", NO, None))
    assert known.answer("referral-possible") is UNKNOWN
    assert [caution.code for caution in known.cautions] == ["contradiction-ask-again"]


def test_a_sign_that_no_table_judges_is_handed_back() -> None:
    # Unknown to the tables is not the same as harmless (derived).
    held = decide(case(found("sunken-eyes", YES), found("diarrhoea", NO)), PROTOCOL).assessment
    (caution,) = [one for one in held.cautions if one.code == "not-judged"]
    assert caution.origins == (Origin("Observation/sunken-eyes"),)


def test_a_caution_of_two_classes_is_said_once() -> None:
    said_twice = PlanCaution("very-low-weight", CITE, "high")
    plans = tuple(replace(plan, cautions=(said_twice,)) for plan in PROTOCOL.plans)
    asked = [found(sign.code, NO) for sign in PROTOCOL.signs if sign.required]
    known = case(
        *(one for one in asked if one.code != "umbilicus-red"),
        found("umbilicus-red", YES),
        found("umbilical-redness-spreading", NO),
        measured("temperature", "37", "Cel"),
        measured("respiratory-rate", "40", "/min"),
    )
    decision = decide(known, replace(PROTOCOL, plans=plans))
    assert len(decision.assessment.classes) > 1
    assert [one.code for one in decision.plan.cautions].count("very-low-weight") == 1


def test_a_dose_that_fails_its_range_is_not_given_and_says_so() -> None:
    narrow = with_rule(AMPICILLIN, rounded_low=kilograms("50"), rounded_high=kilograms("50"))
    refused_dose = dose_of(narrow, "3.3")
    assert isinstance(refused_dose, NoDose)
    assert refused_dose.code == "outside-range"
    assert dict(refused_dose.reason.values)["low"] == "50"


def test_a_cell_of_the_dose_table_outside_its_own_range_is_not_given() -> None:
    amoxicillin = PROTOCOL.medicine_by_code["amoxicillin"]
    bands = tuple(
        replace(band, cells=tuple(replace(cell, high=cell.low) for cell in band.cells))
        for band in amoxicillin.rules[0].bands
    )
    narrow = replace(amoxicillin, rules=(replace(amoxicillin.rules[0], bands=bands),))
    assert isinstance(dose_of(amoxicillin, "3.4"), Dose)
    refused_dose = dose_of(narrow, "3.4")
    assert isinstance(refused_dose, NoDose)
    assert refused_dose.code == "outside-range"


def test_a_dose_above_the_hard_maximum_is_not_given() -> None:
    capped = replace(AMPICILLIN, hard_max=kilograms("49"))
    refused_dose = dose_of(capped, "3.0")
    assert isinstance(refused_dose, NoDose)
    assert refused_dose.code == "outside-range"


def test_a_dose_exactly_at_its_limits_is_given() -> None:
    # Ranges and ceilings of the content include their ends.
    to_fifty = {"rounded_low": kilograms("50"), "rounded_high": kilograms("50")}
    medicine = replace(with_rule(AMPICILLIN, **to_fifty), hard_max=kilograms("50"))
    made = dose_of(medicine, "3.0")
    assert isinstance(made, Dose)
    assert made.per_kg == 50


def test_a_dose_too_small_to_measure_is_not_given() -> None:
    refused_dose = dose_of(with_rule(AMPICILLIN, rounding="down"), "0.2")
    assert isinstance(refused_dose, NoDose)
    assert refused_dose.code == "too-small-to-measure"


def test_a_medicine_whose_rules_leave_the_infant_out_is_not_given() -> None:
    rule = replace(AMPICILLIN.rules[0], when=FindingTest("jaundice", YES, CITE))
    medicine = replace(AMPICILLIN, rules=(rule,))
    known = facts(found("jaundice", NO))
    assert make_dose(medicine, known, Decimal(3)).code == "no-rule"  # type: ignore[union-attr]


def test_a_rule_without_a_dose_is_a_fault_of_the_content() -> None:
    medicine = replace(AMPICILLIN, rules=(replace(AMPICILLIN.rules[0], per_kg=None),))
    with pytest.raises(ValueError, match="gives no dose"):
        dose_of(medicine, "3.0")


def test_below_the_lowest_band_there_is_no_dose() -> None:
    refused_dose = make_dose(PROTOCOL.medicine_by_code["amoxicillin"], facts(), Decimal("1.4"))
    assert isinstance(refused_dose, NoDose)
    assert refused_dose.code == "below-the-table"
    text = render(PROTOCOL, refused_dose.reason)
    assert "the weight 1.4 kg is below the dose table" in text


@pytest.mark.parametrize("kg", ["3.4", "6.0", "7.9"])
def test_a_dose_names_the_band_of_the_weight_that_it_is_taken_from(kg: str) -> None:
    amoxicillin = PROTOCOL.medicine_by_code["amoxicillin"]
    made = make_dose(amoxicillin, facts(), Decimal(kg))
    assert isinstance(made, Dose)
    bands = amoxicillin.rules[0].bands
    assert made.rule == next(band for band in reversed(bands) if band.low.value <= Decimal(kg)).code


def test_a_medicine_without_a_liquid_tells_no_volume_per_kilogram() -> None:
    amoxicillin = PROTOCOL.medicine_by_code["amoxicillin"]
    tablets = tuple(form for form in amoxicillin.formulations if form.per.unit == "{tbl}")
    only = replace(amoxicillin, formulations=tablets, prefer=tuple(form.code for form in tablets))
    bands = tuple(replace(band, prefer=()) for band in only.rules[0].bands)
    only = replace(only, rules=(replace(only.rules[0], bands=bands),))
    made = dose_of(only, "3.4")
    assert isinstance(made, Dose)
    assert per_kg_volume(made) is None
    assert made.cautions[0].action is None


def test_an_unknown_age_has_no_earlier_age_and_no_gestation_now() -> None:
    unknown = facts(measured("gestational-age", "39", "wk"), age=None)
    assert unknown.days_ago(3) is unknown
    assert unknown.gestation_now() is None
    assert not unknown.age_is_inside()


def test_a_measurement_without_a_time_is_as_old_as_the_visit_or_the_infant() -> None:
    weight, born = measured("weight", "3", "kg", None), measured("birth-weight", "3", "kg", None)
    assert hours_old(facts(), weight) == 0
    assert hours_old(facts(age=1), born) == 48
    assert hours_old(facts(age=None), born) == Decimal("Infinity")


def test_a_weight_that_is_held_has_no_amount() -> None:
    with pytest.raises(ValueError, match="no weight"):
        _ = Weight(None, Message("no-dose.no-weight")).quantity


def test_a_gap_longer_than_two_days_begins_a_new_course() -> None:
    long_ago = GivenDose("gentamicin", AT - timedelta(days=9), Origin("MedicationAdministration/1"))
    asked = [found(sign.code, NO) for sign in PROTOCOL.signs if sign.required]
    known = case(
        *asked,
        found("referral-possible", NO),
        measured("weight", "3.4", "kg"),
        measured("temperature", "38.4", "Cel"),
        measured("respiratory-rate", "48", "/min"),
        given=(long_ago,),
    )
    orders = {order.key: order for order in decide(known, PROTOCOL).plan.orders}
    assert orders["here.gentamicin"].doses == 7


def test_numbers_of_the_content_are_said_in_words() -> None:
    assert said(Number(Decimal(1), "h", CITE)) == Message("time.h.one", (("number", "1"),))
    assert said(Number(Decimal(10), "min", CITE)) == Message("time.min.many", (("number", "10"),))
    assert said(Number(Decimal(50), "mL", CITE)) == "50 mL"


def test_a_converted_reading_is_never_printed_over_a_limit_it_did_not_reach() -> None:
    almost = Quantity.of("100.3999", "[degF]").to("Cel")
    assert almost.value < 38
    assert reading(almost) == "37.9 °C"  # to what a thermometer shows, never up


def test_a_refusal_names_the_measure_in_words() -> None:
    message = refused(Refusal("comparator", Origin(), (("measure", "weight"),)))
    assert message.values == (("measure", Message("measure.weight")),)


def test_a_quantity_is_exact_known_and_finite() -> None:
    with pytest.raises(QuantityError, match="float"):
        Quantity.of(3.4, "kg")  # type: ignore[arg-type]
    with pytest.raises(QuantityError, match="unknown unit"):
        Quantity.of("3.4", "stone")
    with pytest.raises(QuantityError, match="finite"):
        Quantity.of("NaN", "kg")
    with pytest.raises(QuantityError, match="cannot be turned"):
        Quantity.of("3.4", "kg").to("Cel")
    with pytest.raises(QuantityError, match="unknown unit"):
        Quantity(Decimal(1), "stone").to("kg")


def test_temperatures_convert_both_ways() -> None:
    # Fahrenheit = Celsius x 9/5 + 32 (NIST SP 811, appendix B.8, from memory).
    assert Quantity.of("38", "Cel").to("[degF]") == Quantity(Decimal("100.4"), "[degF]")
    assert Quantity.of("95.9", "[degF]").to("Cel") == Quantity(Decimal("35.5"), "Cel")


def test_a_pound_is_its_exact_mass() -> None:
    # International yard and pound agreement, 1959: 0.45359237 kg exactly (from memory).
    assert Quantity.of("7.5", "[lb_av]").to("kg").value == Decimal("3.401942775")
    assert convertible("[lb_av]", "kg")
