"""Nystatin, cotrimoxazole, nevirapine and zidovudine against the published values.

Nystatin 100,000 U/ml, 1 ml four times a day (memory). Cotrimoxazole 200/40 mg per 5 ml, 2.5 ml once
daily from 4-6 weeks (memory); contraindicated in the first month when preterm or jaundiced (ETH
seen). Nevirapine 10 mg/ml by birth weight, after 6 weeks of age 20 mg (memory). Zidovudine 10 mg/ml
twice daily by birth weight (Indian national table, seen; below 2.0 kg WHO, memory). The dose per
kilogram counts on the weight of today (our reading).
"""

from datetime import timedelta
from decimal import Decimal

import pytest

from cds_service.case import Answer, GivenDose, Origin
from cds_service.content.load import load
from cds_service.content.model import Number
from cds_service.content.plans import Course
from cds_service.content.text import render
from cds_service.engine.dose import make_dose
from cds_service.engine.dose_notes import per_kg_volume
from cds_service.engine.facts import Facts
from cds_service.engine.medication import Medication, medication
from cds_service.engine.model import Dose, NoDose, Order
from cds_service.engine.orders import Need, make_orders
from cds_service.engine.phrase import contained, dosage, target
from cds_service.engine.settle import settle
from cds_service.engine.situation import Managed, Situation
from cds_service.engine.weight import dosing_weight
from tests.changing import replace
from tests.engine.cases import AS_OF, finding, read
from tests.engine.infants import decimals, for_every
from tests.fhir import decisions as by_hand

PROTOCOL = load()
BY_BIRTH_WEIGHT = ("nevirapine", "zidovudine")


def facts(
    age: str = "30",
    weight: str = "",
    birth_weight: str = "",
    gestation: str = "",
    *,
    yes: tuple[str, ...] = (),
    no: tuple[str, ...] = (),
) -> Facts:
    """An infant of so many days ("27-28": not known better)."""
    infant = {"age": f"{age} d"}
    infant |= {"weight": f"{weight} kg"} if weight else {}
    infant |= (
        {"birth weight": f"{birth_weight} kg {age[:2].strip('-')} d ago"} if birth_weight else {}
    )
    infant |= {"gestation": f"{gestation} wk"} if gestation else {}
    case = read({"case": "-", "source": "-", "infant": infant, "expect": {}}).case
    findings = [finding(code, Answer.YES) for code in yes]
    findings += [finding(code, Answer.NO) for code in no]
    return settle(replace(case, findings=tuple(findings)), PROTOCOL)


def dose(medicine: str, *args: str, **signs: tuple[str, ...]) -> Dose | NoDose:
    """The dose of a medicine by the weight that is believed, if one is."""
    known = facts(*args, **signs)
    return make_dose(PROTOCOL.medicine_by_code[medicine], known, dosing_weight(known).kg)


def measured(medicine: str, *args: str) -> Decimal:
    """How many mL."""
    found = dose(medicine, *args)
    assert isinstance(found, Dose), found
    assert found.amount.unit == "mL"
    return found.amount.value


def ordered(known: Facts, *medicines: str, days: int = 14) -> tuple[Order, ...]:
    """What is ordered here for a course of these medicines."""
    return planned(known, *medicines, days=days).orders


def planned(known: Facts, *medicines: str, days: int = 14) -> Medication:
    """The medicine part of a plan for a course of each of these medicines."""
    plan = PROTOCOL.plan_by_code["pneumonia"]
    length = Number(Decimal(days), "d", PROTOCOL.cite)
    courses = tuple(Course((code,), length, at_least=True) for code in medicines)
    held = by_hand.held("pneumonia", severe=False)
    regimen = replace(plan.regimens[0], courses=courses)
    managed = Managed(held, plan, (), regimen, care_only=False)
    weight = dosing_weight(known)
    too_light = weight.kg is not None and weight.kg < 1
    situation = Situation((managed,), False, too_light, (), "", False, ())
    return medication(known, situation, weight)


def test_nystatin_is_one_millilitre_four_times_a_day_for_seven_days_at_any_weight() -> None:
    for weight in ("", "0.9", "2.0", "3.4", "7.9"):
        assert measured("nystatin", "12", weight) == 1
    (order,) = ordered(facts("12", "3.4"), "nystatin", days=7)
    assert (order.times_a_day, order.days, order.doses) == (4, 7, 28)
    assert (order.dose.contained.value, order.dose.contained.unit) == (100_000, "[iU]")
    assert order.packs == 1  # 28 mL from a bottle of 30


def test_cotrimoxazole_is_two_and_a_half_millilitres_once_a_day() -> None:
    for weight in ("", "2.0", "3.4", "7.9"):
        assert measured("cotrimoxazole", "35", weight) == Decimal("2.5")
    (order,) = ordered(facts("35", "3.4"), "cotrimoxazole")
    assert (order.times_a_day, order.days, order.at_least) == (1, 14, True)
    # 200/40 mg per 5 mL: half of it.
    assert (order.dose.contained.value, order.dose.contained.unit) == (100, "mg")
    (trimethoprim,) = order.dose.formulation.contained_beside(order.dose.amount)
    assert (trimethoprim.value, trimethoprim.unit) == (20, "mg")
    assert order.dose.formulation.strength_on_label == "200 mg/40 mg per 5 mL"


def test_cotrimoxazole_begins_at_four_weeks() -> None:
    no = dose("cotrimoxazole", "27", "3.0")
    assert isinstance(no, NoDose)
    assert (no.code, no.severity) == ("cotrimoxazole-not-yet", "low")
    assert measured("cotrimoxazole", "28", "3.0") == Decimal("2.5")
    # Age not known better than 27 or 28 days: nothing says that it is too early.
    assert isinstance(dose("cotrimoxazole", "27-28", "3.0"), Dose)


@pytest.mark.parametrize("age", ["28", "30"])
def test_cotrimoxazole_is_contraindicated_in_the_first_month_when_preterm_or_jaundiced(
    age: str,
) -> None:
    for no in (
        dose("cotrimoxazole", age, "3.0", "", "36.9", no=("jaundice",)),
        dose("cotrimoxazole", age, "3.0", "", "", yes=("jaundice",)),
    ):
        assert isinstance(no, NoDose)
        assert (no.code, no.severity) == ("cotrimoxazole-first-month", "high")
    assert isinstance(dose("cotrimoxazole", age, "3.0", "", "37", no=("jaundice",)), Dose)
    # After the first month neither counts.
    assert isinstance(dose("cotrimoxazole", "31", "3.0", "", "30", yes=("jaundice",)), Dose)


def test_an_unknown_gestation_in_the_first_month_is_said_and_asked_for() -> None:
    made = planned(facts("29", "3.0", no=("jaundice",)), "cotrimoxazole")
    assert len(made.orders) == 1
    (caution,) = made.cautions
    assert (caution.code, caution.severity) == ("contraindication-open", "moderate")
    assert [(each.code, each.required) for each in made.missing] == [("gestational-age", False)]
    known = planned(facts("29", "3.0", "", "39", no=("jaundice",)), "cotrimoxazole")
    assert (known.cautions, known.missing) == ((), ())
    assert planned(facts("31", "3.0"), "cotrimoxazole").cautions == ()


# Birth weight, then mL of 10 mg/mL for an infant of 30 days and 3.0 kg.
BANDS = (
    ("0.9", "0.6"),  # 2 mg/kg of 3.0 kg = 6 mg
    ("1.99", "0.6"),
    ("2.0", "1"),  # 10 mg
    ("2.49", "1"),
    ("2.5", "1.5"),  # 15 mg
    ("4.2", "1.5"),
)


@pytest.mark.parametrize("medicine", BY_BIRTH_WEIGHT)
@pytest.mark.parametrize(("birth_weight", "volume"), BANDS)
def test_the_birth_weight_chooses_the_dose(medicine: str, birth_weight: str, volume: str) -> None:
    assert measured(medicine, "30", "3.0", birth_weight) == Decimal(volume)


@pytest.mark.parametrize(("medicine", "times"), [("nevirapine", 1), ("zidovudine", 2)])
def test_nevirapine_once_and_zidovudine_twice_a_day(medicine: str, times: int) -> None:
    (order,) = ordered(facts("10", "3.0", "2.9"), medicine)
    assert (order.times_a_day, order.doses) == (times, 14 * times)


def test_nevirapine_from_six_weeks_is_twenty_milligrams_whatever_the_birth_weight() -> None:
    for birth_weight in ("", "1.2", "2.2", "3.5"):
        found = dose("nevirapine", "42", "4.0", birth_weight)
        assert isinstance(found, Dose)
        assert (found.amount.value, found.contained.value) == (2, 20)
    assert measured("nevirapine", "41", "4.0", "3.5") == Decimal("1.5")


def test_at_a_span_across_six_weeks_no_dose_is_chosen() -> None:
    no = dose("nevirapine", "41-42", "4.0", "3.5")
    assert isinstance(no, NoDose)
    assert no.code == "rule-open"
    assert [test.fact for test in no.missing] == ["age"]


@pytest.mark.parametrize("medicine", BY_BIRTH_WEIGHT)
@for_every(decimals("1.0", "7.99", 2))
def test_two_milligrams_per_kilogram_of_the_weight_now_to_the_nearest_tenth(
    medicine: str, kg: Decimal
) -> None:
    known = facts("30", birth_weight="1.9")
    found = make_dose(PROTOCOL.medicine_by_code[medicine], known, kg)
    if medicine == "zidovudine" and kg >= Decimal("7.75"):
        # Above the largest dose of the table (15 mg), once measured.
        assert isinstance(found, NoDose)
        assert found.code == "above-ceiling"
        return
    assert isinstance(found, Dose)
    assert found.amount.value % Decimal("0.1") == 0
    assert abs(found.amount.value - 2 * kg / 10) <= Decimal("0.05")
    assert found.target is not None
    assert found.target.value == 2 * kg
    assert found.per_kg is not None
    assert Decimal("1.6") <= found.per_kg <= Decimal("2.4")


@pytest.mark.parametrize("medicine", BY_BIRTH_WEIGHT)
def test_without_a_birth_weight_no_dose_and_the_hiv_service(medicine: str) -> None:
    made = planned(facts("30", "3.0"), medicine)
    assert made.orders == ()
    (caution,) = made.cautions
    assert (caution.code, caution.severity) == ("no-dose-rule-open", "high")
    assert caution.message.key == "no-dose.birth-weight-unknown"
    assert "HIV service" in PROTOCOL.text_by_key[caution.message.key]
    assert [(each.code, each.required) for each in made.missing] == [("birth-weight", True)]


@pytest.mark.parametrize("medicine", BY_BIRTH_WEIGHT)
def test_an_unbelievable_birth_weight_gives_no_dose(medicine: str) -> None:
    """Above +5 z at birth: a slip of the pen (derived)."""
    for birth_weight in ("6.5", "32", "3200"):
        no = dose(medicine, "30", "3.0", birth_weight)
        assert isinstance(no, NoDose)
        assert no.code == "birth-weight-not-believable"
    assert measured(medicine, "30", "3.0", "6.4") == Decimal("1.5")


@pytest.mark.parametrize("medicine", ["nystatin", "cotrimoxazole", *BY_BIRTH_WEIGHT])
@pytest.mark.parametrize("sign", ["convulsing-now", "unconscious", "unable-to-feed"])
def test_nothing_by_mouth_for_a_baby_who_cannot_swallow(medicine: str, sign: str) -> None:
    """PB13 3.7 (seen in part)."""
    no = dose(medicine, "35", "3.0", "2.9", yes=(sign,))
    assert isinstance(no, NoDose)
    assert no.code == "cannot-swallow"


def test_a_fixed_amount_does_not_wait_for_a_weight_and_a_dose_per_kilogram_does() -> None:
    made = planned(facts("10", birth_weight="2.2"), "nystatin", "nevirapine", "amoxicillin")
    assert [order.dose.medicine.code for order in made.orders] == ["nystatin", "nevirapine"]
    assert all(order.dose.weight is None for order in made.orders)
    (caution,) = made.cautions
    assert caution.message.key == "no-dose.held"
    assert [(each.code, each.required) for each in made.missing] == [("weight", True)]
    light = planned(facts("10", birth_weight="1.9"), "nevirapine")
    assert (light.orders, [each.code for each in light.missing]) == ((), ["weight"])
    fixed = planned(facts("10", birth_weight="2.2"), "nystatin")
    assert (fixed.cautions, fixed.missing) == ((), ())


def test_an_unbelievable_weight_holds_back_only_what_counts_on_it() -> None:
    made = planned(facts("10", "34", "1.9"), "nystatin", "nevirapine")
    assert [order.dose.medicine.code for order in made.orders] == ["nystatin"]
    assert [caution.code for caution in made.cautions] == ["weigh-again"]
    only = planned(facts("10", "34", "2.9"), "nystatin", "nevirapine")
    assert len(only.orders) == 2
    assert [caution.code for caution in only.cautions] == ["weigh-again"]
    assert [(each.code, each.required) for each in only.missing] == [("weight", False)]


def test_below_one_kilogram_nothing_is_shown() -> None:
    made = planned(facts("1", "0.9", "0.9"), "nystatin", "nevirapine")
    assert made.orders == ()


def test_the_table_that_was_seen_and_the_dose_per_kilogram_differ_and_that_is_said() -> None:
    """Zidovudine below 2.0 kg: WHO 2 mg/kg (memory); the table seen says 5 mg."""
    made = planned(facts("10", "1.9", "1.8"), "zidovudine")
    assert [caution.code for caution in made.cautions] == ["zidovudine-sources-differ"]
    assert planned(facts("10", "2.4", "2.2"), "zidovudine").cautions == ()


def test_a_contraindicated_medicine_lets_the_next_of_the_list_be_tried() -> None:
    known = facts("27", "3.0")
    length = Number(Decimal(7), "d", PROTOCOL.cite)
    course = Course(("cotrimoxazole", "nystatin"), length)
    made, refused = make_orders(
        Need(course, "here", (), PROTOCOL.cite, is_option=False), known, Decimal("3.0")
    )
    assert [order.dose.medicine.code for order in made] == ["nystatin"]
    assert refused == []


def test_a_running_course_without_a_weight_keeps_its_fixed_amount() -> None:
    known = facts("12", birth_weight="2.2")
    given = (GivenDose("nevirapine", AS_OF - timedelta(hours=24), Origin()),)
    running = settle(replace(known.case, given=given), PROTOCOL)
    (order,) = ordered(running, "nevirapine")
    assert (order.dose.amount.value, order.doses) == (1, 13)


NYSTATIN = PROTOCOL.medicine_by_code["nystatin"]


@pytest.mark.parametrize(
    ("limit", "code", "words"),
    [
        ({"hard_max": Number(Decimal(30_000), "[iU]/kg", PROTOCOL.cite)}, "outside-range",
         "what can be measured gives 100000 IU, outside 0 to 30000 IU/kg"),
        ({"ceiling": Number(Decimal(90_000), "[iU]", PROTOCOL.cite)}, "above-ceiling",
         "100000 IU is above the largest single dose of 90000 [iU]"),
    ],
)  # fmt: skip
def test_a_fixed_amount_above_a_limit_is_not_given(
    limit: dict[str, Number], code: str, words: str
) -> None:
    """Fail closed (design, decision 8); the limits are made up."""
    medicine = replace(NYSTATIN, **limit)
    protocol = replace(PROTOCOL, medicines=(medicine,))
    no = make_dose(medicine, Facts(facts().case, protocol), Decimal(3))
    assert isinstance(no, NoDose)
    assert no.code == code
    assert words in render(PROTOCOL, no.reason)


def test_a_fixed_amount_has_no_volume_per_kilogram_beside_it() -> None:
    found = dose("nystatin", "12", "3.0")
    assert isinstance(found, Dose)
    assert per_kg_volume(found) is None


def test_what_is_told_of_a_fixed_amount() -> None:
    with_weight, without = (ordered(facts("35", kg), "cotrimoxazole")[0] for kg in ("4.0", ""))
    assert render(PROTOCOL, contained(with_weight)) == (
        "Each dose contains 100 mg + 20 mg: 25 mg/kg per dose, 25 mg/kg per day, "
        "for a weight of 4 kg."
    )
    assert render(PROTOCOL, contained(without)) == (
        "Each dose contains 100 mg + 20 mg. The amount does not depend on the weight."
    )
    for order in (with_weight, without):
        assert render(PROTOCOL, target(order.dose)) == (
            "A fixed amount. Table or rule: the same for every weight."
        )
        assert [render(PROTOCOL, note) for note in order.dose.notes] == [
            "Doses and mg/kg count sulfamethoxazole alone."
        ]
        assert "200 mg + 40 mg in 5 mL" in render(PROTOCOL, dosage(order))


def test_how_it_is_given_and_that_it_goes_on() -> None:
    (mouth,) = ordered(facts("12", "3.0"), "nystatin")
    keys = [message.key for message in mouth.instructions]
    assert keys == [
        "prepare.oral-liquid",
        "measure-out",
        "give.oromucosal",
        "finish.at-least-by-mouth",
    ]
    (drops,) = ordered(facts("35", "3.0"), "cotrimoxazole")
    assert [message.key for message in drops.instructions] == [
        "prepare.oral-liquid",
        "measure-out",
        "give.oral",
        "first-dose-here",
        "if-vomited",
        "finish.at-least-by-mouth",
    ]
    for message in (*mouth.instructions, *drops.instructions):
        assert render(PROTOCOL, message)
