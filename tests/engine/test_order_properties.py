"""What must be true of every order, whatever is sent (derived, unless a source is named)."""

from decimal import Decimal

from cds_service.case import Answer, Case
from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.engine.model import Order
from tests.changing import replace
from tests.engine.infants import for_every, infants

PROTOCOL = load()
PENICILLINS = {"amoxicillin", "ampicillin", "benzylpenicillin"}


def said(case: Case, code: str, answer: Answer) -> bool:
    """Whether this answer was ever given to this question."""
    return any(one.code == code and one.answer is answer for one in case.findings)


# Section 4 (memory; zidovudine: Indian national table, seen): mL that do not depend on the weight.
FIXED = {
    "nystatin": {Decimal(1)},
    "cotrimoxazole": {Decimal("2.5")},
    "nevirapine": {Decimal(1), Decimal("1.5"), Decimal(2)},
    "zidovudine": {Decimal(1), Decimal("1.5")},
}


def is_fixed(order: Order) -> bool:
    """Whether the amount is one of those that do not depend on the weight."""
    dose = order.dose
    return dose.target is None and dose.amount.value in FIXED[dose.medicine.code]


def allowed(order: Order) -> tuple[Decimal, Decimal]:
    """The mg/kg that the published rules allow for this medicine, after rounding."""
    dose = order.dose
    step = dose.formulation.contained(dose.formulation.step.quantity).value / dose.weight.value
    return {
        "amoxicillin": (Decimal(31), Decimal(85)),  # section 4: least cell, hard maximum
        "gentamicin": (Decimal(3), Decimal("7.5")),  # W15, COIN, P20
        "ampicillin": (50 - step / 2, 50 + step / 2),  # P20, to the nearest step
        "benzylpenicillin": (50000 - step / 2, 50000 + step / 2),  # P20
        "ceftriaxone": (50 - step / 2, 50 + step / 2),  # COIN
        "nevirapine": (2 - step / 2, 2 + step / 2),  # birth weight below 2.0 kg
        "zidovudine": (2 - step / 2, 2 + step / 2),
    }[dose.medicine.code]


@for_every(infants())
def test_every_dose_is_in_its_published_range_below_its_ceiling_and_measurable(case: Case) -> None:
    for order in decide(case, PROTOCOL).plan.orders:
        dose = order.dose
        if not is_fixed(order):
            low, high = allowed(order)
            assert round(low, 6) <= round(dose.per_kg, 6) <= round(high, 6), order.key
        assert dose.amount.value > 0
        assert dose.amount.value % dose.formulation.step.value == 0
        contained = dose.formulation.contained(dose.amount).value
        assert abs(contained - dose.contained.value) <= Decimal("0.05")
        if dose.medicine.code == "amoxicillin":
            assert contained <= 400
        if dose.medicine.code == "gentamicin":
            assert contained <= 60


@for_every(infants())
def test_what_is_handed_out_holds_the_whole_course(case: Case) -> None:
    for order in decide(case, PROTOCOL).plan.orders:
        assert order.doses >= 1
        pack = order.dose.formulation.pack_size.value
        assert order.packs * pack >= order.doses * order.dose.amount.value
        if order.days is not None:
            assert order.doses <= order.days * order.times_a_day


@for_every(infants())
def test_no_dose_without_a_weight_but_fixed_ones(case: Case) -> None:
    unweighed = replace(
        case,
        measurements=tuple(
            one for one in case.measurements if one.kind not in {"weight", "birth-weight"}
        ),
    )
    plan = decide(unweighed, PROTOCOL).plan
    assert all(is_fixed(order) for order in plan.orders)
    assert not any(order.steps for order in plan.fluids)


@for_every(infants())
def test_the_weight_of_every_dose_was_measured(case: Case) -> None:
    known = {
        one.quantity.to("kg").value
        for one in case.measurements
        if one.kind in {"weight", "birth-weight"}
    }
    for order in decide(case, PROTOCOL).plan.orders:
        if not is_fixed(order):
            assert order.dose.weight.to("kg").value in known
    for fluid in decide(case, PROTOCOL).plan.fluids:
        assert not fluid.steps or fluid.weight.value in known


@for_every(infants())
def test_every_volume_is_in_its_published_range(case: Case) -> None:
    """30 and 70 mL/kg, 120 mL/kg by tube (CB14, memory), 75 mL/kg (seen), to the nearest 5 mL."""
    rules = {"plan-b": ((75, 4),), "plan-c": ((30, 1), (70, 5)), "plan-c-by-tube": ((120, 6),)}
    for fluid in decide(case, PROTOCOL).plan.fluids:
        for step, (per_kg, hours) in zip(fluid.steps, rules.get(fluid.fluid.code, ()), strict=True):
            assert abs(step.volume.value - per_kg * fluid.weight.value) <= Decimal("2.5")
            assert step.over.value == hours


@for_every(infants())
def test_no_forbidden_medicine_for_an_allergic_infant(case: Case) -> None:
    """Section 5 (MSF, LBL seen)."""
    given_out = {order.dose.medicine.code for order in decide(case, PROTOCOL).plan.orders}
    if said(case, "penicillin-allergy", Answer.YES):
        assert not given_out & {*PENICILLINS, "ceftriaxone"}
    if said(case, "aminoglycoside-allergy", Answer.YES):
        assert "gentamicin" not in given_out
    if said(case, "cephalosporin-allergy", Answer.YES):
        assert "ceftriaxone" not in given_out


@for_every(infants())
def test_ceftriaxone_only_when_all_its_conditions_are_known(case: Case) -> None:
    """LBL (seen): no jaundice, no calcium, no allergy; 41 weeks at 28 days or less."""
    if "ceftriaxone" not in {o.dose.medicine.code for o in decide(case, PROTOCOL).plan.orders}:
        return
    for code in ("jaundice", "calcium-infusion", "penicillin-allergy", "cephalosporin-allergy"):
        assert said(case, code, Answer.NO)
    assert case.age is not None
    if case.age.low <= 28:
        (weeks,) = [m.quantity.value for m in case.measurements if m.kind == "gestational-age"]
        assert weeks + Decimal(case.age.low) / 7 >= 41


@for_every(infants())
def test_one_medicine_one_order_in_each_branch(case: Case) -> None:
    orders = decide(case, PROTOCOL).plan.orders
    placed = [(order.branch, order.dose.medicine.code) for order in orders]
    assert len(set(placed)) == len(placed)
    assert len({order.key for order in orders}) == len(orders)


@for_every(infants())
def test_a_medicine_already_being_given_is_not_ordered_again(case: Case) -> None:
    """Section 5 (practice); injections are judged by hours since the last instead."""
    for used in case.in_use:
        if all(dose.medicine != used.medicine for dose in case.given):
            orders = decide(case, PROTOCOL).plan.orders
            assert used.medicine not in {order.dose.medicine.code for order in orders}


@for_every(infants())
def test_gentamicin_is_never_due_within_20_hours_of_the_last(case: Case) -> None:
    """Section 3: the next is due 24 h later, never under 20 h."""
    for order in decide(case, PROTOCOL).plan.orders:
        last = [d.at for d in case.given if d.medicine == "gentamicin" and d.at is not None]
        if order.dose.medicine.code == "gentamicin" and last:
            assert (order.first_due - max(last)).total_seconds() >= 20 * 3600


@for_every(infants())
def test_refer_and_treat_here_are_never_both_active(case: Case) -> None:
    plan = decide(case, PROTOCOL).plan
    branches = {order.branch for order in plan.orders}
    assert plan.choice in {"", "refer", "here", "refer-or-here", "refer-then-here"}
    if plan.choice == "refer":
        assert branches <= {"refer"}
    if plan.choice in {"", "here"}:
        assert branches <= {"here"}
    if plan.choice == "refer-or-here":
        assert all(order.is_option for order in plan.orders)
    if plan.choice in {"", "refer"}:
        assert not any(order.is_option for order in plan.orders if not order.instead_of)


@for_every(infants())
def test_below_one_and_a_half_kilograms_there_is_no_outpatient_regimen(case: Case) -> None:
    """WHO/UNICEF joint statement (seen)."""
    for order in decide(case, PROTOCOL).plan.orders:
        if order.dose.weight is None:
            assert is_fixed(order)
            continue
        assert order.dose.weight.value >= 1
        if order.dose.weight.value < Decimal("1.5"):
            assert order.dose.medicine.code != "amoxicillin"
            assert order.dose.medicine.code != "gentamicin" or order.days is None


@for_every(infants())
def test_nothing_by_mouth_for_an_infant_who_fits_or_is_unconscious(case: Case) -> None:
    """Section 3, PB13 3.7 (seen in part)."""
    now = {one.code for one in case.findings if one.answer is Answer.YES and one.at == case.as_of}
    if not now & {"convulsing-now", "unconscious"}:
        return
    plan = decide(case, PROTOCOL).plan
    assert "nothing-by-mouth" in {one.key.rpartition(".")[2] for one in plan.emergency}
    routes = {order.dose.medicine.route for order in plan.orders}
    assert not routes & {"oral", "oromucosal"}
    assert "oral" not in {order.route for order in plan.fluids}
    assert "prevent-low-sugar-by-mouth" not in {one.key.rpartition(".")[2] for one in plan.care}
