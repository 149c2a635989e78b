"""Fluids and amounts per kilogram against hand arithmetic from the published values.

ORS 75 ml/kg in 4 h (seen). Severe dehydration: Ringer's lactate 100 ml/kg as 30 ml/kg in 1 h then
70 ml/kg in 5 h, or ORS 20 ml/kg/h for 6 h by tube (100 ml/kg seen, the rest CB14 memory). After
each loose stool 50-100 ml (ETH seen), below 4 kg at most 50 ml (practice). Glucose 10 %, 2 ml/kg,
and phenobarbital 20, 10, at most 40 mg/kg (PB13 3.7 seen). Sugar water 10 ml/kg, 20-50 ml (CB14
memory).
"""

from dataclasses import replace as with_changes
from decimal import Decimal

import pytest

from cds_service.case import Answer
from cds_service.content.load import load
from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.care import emergency
from cds_service.engine.fluids import FluidPlan, fluid_orders, with_fluids
from cds_service.engine.model import FluidOrder
from cds_service.engine.settle import settle
from cds_service.engine.situation import Managed, Situation
from cds_service.engine.weight import dosing_weight
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.cases import read
from tests.engine.infants import decimals, for_every
from tests.engine.test_prophylaxis_doses import facts
from tests.fhir import decisions as by_hand

PROTOCOL = load()
REFER, HERE = ("ors-on-the-way",), ("plan-c",)
NO_SWALLOWING = ("convulsing-now", "unconscious", "unable-to-feed")


def planned(
    weight: str,
    here: tuple[str, ...],
    refer: tuple[str, ...] = (),
    *,
    age: str = "20",
    choice: str = "",
    yes: tuple[str, ...] = (),
    more: tuple[str, ...] = (),
) -> FluidPlan:
    """The fluids of a plan for one class (`more`: those of a second class here)."""
    known = facts(age, weight, yes=yes)
    judged = dosing_weight(known)
    light = judged.kg is not None and judged.kg < 1
    plan = with_changes(
        PROTOCOL.plan_by_code["pneumonia"], fluids=(("refer", refer), ("here", here))
    )
    managed = [Managed(by_hand.held("pneumonia", severe=False), plan, (), None, care_only=False)]
    if more:
        other = with_changes(plan, code="local-bacterial-infection", fluids=(("here", more),))
        held = by_hand.held("local-bacterial-infection", severe=False)
        managed.append(Managed(held, other, (), None, care_only=False))
    situation = Situation(tuple(managed), False, light, (), choice, False, ())
    return fluid_orders(known, situation, judged)


def only(plan: FluidPlan) -> FluidOrder:
    """The one order of a plan with nothing to say about it."""
    (order,) = plan.orders
    return order


def volumes(order: FluidOrder) -> list[str]:
    """The volumes of its steps."""
    return [str(step.volume) for step in order.steps]


# Weight, 75 mL/kg in 4 h to the nearest 5 mL, and about how much each hour.
PLAN_B = (
    ("2.0", "150 mL", "38 mL"),
    ("2.9", "220 mL", "55 mL"),  # 217.5: halves up
    ("3.4", "255 mL", "64 mL"),
    ("4.0", "300 mL", "75 mL"),
    ("5.5", "415 mL", "104 mL"),  # 412.5
)


@pytest.mark.parametrize(("weight", "volume", "per_hour"), PLAN_B)
def test_plan_b_is_75_millilitres_per_kilogram_in_four_hours(
    weight: str, volume: str, per_hour: str
) -> None:
    order = only(planned(weight, ("plan-b",)))
    (step,) = order.steps
    assert (str(step.volume), str(step.over), str(step.per_hour)) == (volume, "4 h", per_hour)
    assert (order.route, str(order.total)) == ("oral", volume)


# Weight; 30 mL/kg in 1 h; 70 mL/kg in 5 h; in all; 120 mL/kg by tube in 6 h.
PLAN_C = (
    ("1.5", "45 mL", "105 mL", "150 mL", "180 mL"),
    ("3.0", "90 mL", "210 mL", "300 mL", "360 mL"),
    ("3.4", "100 mL", "240 mL", "340 mL", "410 mL"),
    ("5.0", "150 mL", "350 mL", "500 mL", "600 mL"),
)


@pytest.mark.parametrize(("weight", "first", "then", "total", "tube"), PLAN_C)
def test_plan_c_is_30_then_70_millilitres_per_kilogram_or_ors_by_tube(
    weight: str, first: str, then: str, total: str, tube: str
) -> None:
    drip, other = planned(weight, ("plan-c",)).orders
    assert volumes(drip) == [first, then]
    assert [str(step.over) for step in drip.steps] == ["1 h", "5 h"]
    assert (drip.fluid.product, drip.route) == ("ringers-lactate", "intravenous")
    assert str(drip.total) == total
    assert (volumes(other), [str(step.over) for step in other.steps]) == ([tube], ["6 h"])
    assert (other.fluid.product, other.route, other.instead_of) == ("ors", "tube", drip.key)
    assert drip.is_option
    assert other.is_option


@for_every(decimals("1.0", "7.99", 2))
def test_a_volume_lies_within_half_a_step_of_its_millilitres_per_kilogram(kg: Decimal) -> None:
    for code in ("plan-b", "plan-c"):
        for order in planned(str(kg), (code,), age="59").orders:
            for stage, step in zip(order.fluid.stages, order.steps, strict=True):
                assert abs(step.volume.value - stage.volume.value * kg) <= Decimal("2.5")
                assert step.volume.value % 5 == 0
                assert abs(step.per_hour.value * step.over.value - step.volume.value) <= 3
            assert order.total is not None
            assert order.total.value == sum(step.volume.value for step in order.steps)


def test_after_each_loose_stool_50_to_100_millilitres_and_at_most_50_below_4_kilograms() -> None:
    low, high = only(planned("4.0", ("plan-a",))).each_stool or (None, None)
    assert (str(low), str(high)) == ("50 mL", "100 mL")
    assert only(planned("3.99", ("plan-a",))).each_stool == (None, Quantity(Decimal(50), "mL"))
    assert planned("4.0", ("plan-a",)).missing == ()  # the weight is known


def test_without_a_weight_plan_a_gives_the_lower_amount_and_asks() -> None:
    plan = planned("", ("plan-a",))
    assert only(plan).each_stool == (None, Quantity(Decimal(50), "mL"))
    assert plan.cautions == ()
    assert [(each.code, each.required) for each in plan.missing] == [("weight", False)]


@pytest.mark.parametrize("weight", ["", "34", "3400"])
def test_without_a_believable_weight_there_is_no_volume(weight: str) -> None:
    for code in ("plan-b", "plan-c"):
        plan = planned(weight, (code,), REFER, choice="refer-or-here")
        assert [order.fluid.code for order in plan.orders] == ["ors-on-the-way"]
        (caution,) = plan.cautions
        assert (caution.code, caution.severity) == ("no-dose-fluid-held", "high")
        assert [(each.code, each.required) for each in plan.missing] == [("weight", True)]


def test_below_one_kilogram_no_volume_is_shown() -> None:
    for code in ("plan-a", "plan-b", "plan-c"):
        plan = planned("0.95", (code,), age="1")
        assert plan.orders == ()
        assert [caution.code for caution in plan.cautions] == ["no-dose-fluid-held"]
        assert plan.missing == ()
    assert only(planned("0.95", (), REFER, age="1", choice="refer")).steps == ()


@pytest.mark.parametrize("age", ["59-60", ""])
def test_an_age_that_may_be_outside_gives_no_volume(age: str) -> None:
    known = facts("59-60", "4.0")
    if not age:
        known = settle(replace(known.case, age=None), PROTOCOL)
    managed = Managed(
        by_hand.held("pneumonia"),
        with_changes(PROTOCOL.plan_by_code["pneumonia"], fluids=(("here", ("plan-b",)),)),
        (),
        None,
        care_only=False,
    )
    situation = Situation((managed,), False, False, (), "", False, ())
    plan = fluid_orders(known, situation, dosing_weight(known))
    assert plan.orders == ()
    assert plan.missing == ()  # the age is asked for by the plan itself
    assert [caution.code for caution in plan.cautions] == ["no-dose-fluid-held"]


@pytest.mark.parametrize("sign", NO_SWALLOWING)
def test_a_baby_who_cannot_swallow_has_ors_by_tube_or_not_at_all(sign: str) -> None:
    """Nothing by mouth (PB13 3.7 seen in part)."""
    by_tube = only(planned("3.4", ("plan-b",), yes=(sign,)))
    assert by_tube.route == "tube"
    assert [told.key for told in by_tube.instructions] == ["give-fluid.tube"]
    assert planned("3.4", ("plan-a",), yes=(sign,)).orders == ()
    assert planned("3.4", (), REFER, choice="refer", yes=(sign,)).orders == ()


def test_on_the_way_there_are_sips_and_no_volume() -> None:
    order = only(planned("3.4", HERE, REFER, choice="refer"))
    assert (order.fluid.code, order.steps, order.each_stool, order.total) == (
        "ors-on-the-way",
        (),
        None,
        None,
    )


@pytest.mark.parametrize(
    ("choice", "options"),
    [("", [False]), ("here", [False]), ("refer-or-here", [True, True]), ("refer", [False]),
     ("refer-then-here", [False, True])],
)  # fmt: skip
def test_a_fluid_is_an_option_while_its_choice_is_open(choice: str, options: list[bool]) -> None:
    plan = planned("3.4", ("plan-b",), REFER, choice=choice)
    assert [order.is_option for order in plan.orders] == options


def test_of_two_classes_only_the_most_intensive_fluid_is_given() -> None:
    order = only(planned("3.4", ("plan-a",), more=("plan-b",)))
    assert (order.fluid.code, order.classes) == ("plan-b", ("local-bacterial-infection",))
    both = only(planned("3.4", ("plan-b",), more=("plan-b",)))
    assert both.classes == ("pneumonia", "local-bacterial-infection")
    assert planned("3.4", ()) == FluidPlan()


def test_a_volume_above_its_ceiling_is_not_given() -> None:
    # 9 kg, agreed by a second weight; 75 mL/kg would be 675 mL.
    infant = {"age": "59 d", "weight": ["9.0 kg 60 min ago", "9.0 kg"]}
    case = read({"case": "-", "source": "-", "infant": infant, "expect": {}}).case
    known = settle(case, PROTOCOL)
    weight = dosing_weight(known)
    assert weight.kg == 9
    for code in ("plan-b", "plan-c"):
        plan = with_changes(PROTOCOL.plan_by_code["pneumonia"], fluids=(("here", (code,)),))
        managed = Managed(by_hand.held("pneumonia"), plan, (), None, care_only=False)
        made = fluid_orders(known, Situation((managed,), False, False, (), "", False, ()), weight)
        assert made.orders == ()
        (caution,) = made.cautions
        ceiling = PROTOCOL.fluid_by_code[code].ceiling
        assert ceiling is not None
        assert (caution.code, caution.severity) == ("no-dose-fluid-too-large", "high")
        assert f"largest of {ceiling.quantity}." in render(PROTOCOL, caution.message)
        assert [each.required for each in made.missing] == [True]


def test_an_alternative_above_its_ceiling_is_left_out() -> None:
    every = [
        with_changes(fluid, ceiling=with_changes(fluid.ceiling, value=Decimal(1)))
        if fluid.code == "plan-c-by-tube" and fluid.ceiling
        else fluid
        for fluid in PROTOCOL.fluids.every
    ]
    changed = with_changes(PROTOCOL, fluids=with_changes(PROTOCOL.fluids, every=tuple(every)))
    known = settle(facts("20", "3.4").case, changed)
    plan = with_changes(changed.plan_by_code["pneumonia"], fluids=(("here", HERE),))
    managed = Managed(by_hand.held("pneumonia"), plan, (), None, care_only=False)
    situation = Situation((managed,), False, False, (), "", False, ())
    (order,) = fluid_orders(known, situation, dosing_weight(known)).orders
    assert (order.fluid.code, order.is_option) == ("plan-c", False)


def test_ringers_lactate_counts_as_calcium_for_the_medicines_of_the_same_plan() -> None:
    """No ceftriaxone within 48 h of calcium into a vein, planned too (LBL seen)."""
    known = facts("20", "3.4", no=("calcium-infusion",))
    assert with_fluids(known, planned("3.4", ("plan-b",))) is known
    assert with_fluids(known, planned("3.4", HERE)).is_yes("calcium-infusion")
    assert known.answers["calcium-infusion"] is Answer.NO


def test_no_ceftriaxone_beside_ringers_lactate() -> None:
    signs = ["unable-to-feed"]
    infant = {"age": "35 d", "weight": "3.4 kg", "temperature": "37.0 Cel", "breaths": [48],
              "signs": signs, "everything else asked": True}  # fmt: skip
    written = {"case": "-", "source": "-", "infant": infant, "expect": {}}
    case = read({**written, "referral possible": False}).case
    codes = {order.dose.medicine.code for order in decide(case, PROTOCOL).plan.orders}
    assert "ceftriaxone" in codes
    plan = decide(case, _with_fluids("critical-illness", here=HERE)).plan
    assert "ceftriaxone" not in {order.dose.medicine.code for order in plan.orders}
    assert [order.fluid.code for order in plan.fluids] == ["plan-c", "plan-c-by-tube"]


def _with_fluids(code: str, **fluids: tuple[str, ...]) -> Protocol:
    plans = tuple(
        with_changes(plan, fluids=tuple(fluids.items())) if plan.code == code else plan
        for plan in PROTOCOL.plans
    )
    return with_changes(PROTOCOL, plans=plans)


def _told(code: str, kg: str | None, yes: tuple[str, ...] = ("convulsing-now",)) -> dict[str, str]:
    known = facts("20", "3.4", yes=yes)
    cares = emergency(known, None if kg is None else Decimal(kg))
    (care,) = [care for care in cares if care.key == f"emergency.{code}"]
    assert care.weighed == (kg is not None)
    return {
        name: render(PROTOCOL, value) if isinstance(value, Message) else value
        for name, value in care.message.values
    }


def test_glucose_is_two_millilitres_per_kilogram() -> None:
    assert _told("glucose-while-convulsing", "3.5")["glucose"] == "2 mL/kg = 7 mL"
    assert _told("glucose-while-convulsing", "1.2")["glucose"] == "2 mL/kg = 2.5 mL"
    assert _told("glucose-while-convulsing", None)["glucose"] == "2 mL/kg"


def test_phenobarbital_is_20_then_10_and_never_more_than_40_milligrams_per_kilogram() -> None:
    told = _told("phenobarbital-if-still-convulsing", "3.4")
    assert told == {
        "load": "20 mg/kg = 68 mg (3.4 mL of 20 mg/mL)",
        "next": "10 mg/kg = 34 mg (1.7 mL of 20 mg/mL)",
        "most": "40 mg/kg = 136 mg (6.8 mL of 20 mg/mL)",
        "muscle": "20 mg/kg = 68 mg (0.34 mL of 200 mg/mL)",
        "content": "200 mg",
        "ampoule": "1 mL",
        "water": "9 mL",
        "made": "10 mL",
        "over": "20 minutes",
    }
    assert _told("phenobarbital-if-still-convulsing", None)["load"] == "20 mg/kg"
    # Rounded down: 2.55 kg is 51 mg, 2.55 mL diluted, 0.255 mL undiluted.
    small = _told("phenobarbital-if-still-convulsing", "2.55")
    assert small["load"].startswith("20 mg/kg = 50 mg (2.5 mL")
    assert small["muscle"].startswith("20 mg/kg = 50 mg (0.25 mL")


def test_phenobarbital_is_never_told_for_a_fit_that_is_over() -> None:
    known = facts("20", "3.4", yes=("convulsions",))
    assert list(emergency(known, Decimal("3.4"))) == []


@for_every(decimals("1.0", "7.99", 2))
def test_amounts_follow_the_weight(kg: Decimal) -> None:
    (item,) = [i for i in PROTOCOL.referral_care if i.code == "prevent-low-sugar-by-mouth"]
    sugar, _ = item.amounts[0].measured(kg)
    assert abs(sugar.value - min(10 * kg, Decimal(50))) <= Decimal("0.5")
    (fit,) = [i for i in PROTOCOL.emergency if i.code == "phenobarbital-if-still-convulsing"]
    for amount, per_kg in zip(fit.amounts, (20, 10, 40, 20), strict=True):
        content, volume = amount.measured(kg)
        assert volume is not None
        assert content.value == (200 if amount.name == "muscle" else 20) * volume.value
        assert 0 <= per_kg * kg - content.value < 2


def test_sugar_water_is_ten_millilitres_per_kilogram_at_most_fifty() -> None:
    infant = {"age": "20 d", "weight": "3.4 kg", "temperature": "37.0 Cel", "breaths": [48],
              "signs": ["feeding-poorly"]}  # fmt: skip
    written = {"case": "-", "source": "-", "infant": infant, "expect": {}}
    for weight, words in (("3.4", "10 mL/kg = 34 mL"), ("5.6", "10 mL/kg, here the most: 50 mL")):
        infant["weight"] = f"{weight} kg"
        plan = decide(read({**written, "referral possible": True}).case, PROTOCOL).plan
        (care,) = [each for each in plan.care if each.key.endswith("prevent-low-sugar-by-mouth")]
        assert words in render(PROTOCOL, care.message)
