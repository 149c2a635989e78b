"""What must be true of every decision, whatever is sent (derived, unless a source is named)."""

import hashlib
import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from cds_service.case import Answer, Case
from cds_service.content.load import load
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.model import Decision, Order
from cds_service.quantity import Quantity
from tests.engine.cases import FURTHER, every_case
from tests.engine.infants import ASKED, DANGER, complete_infants, infants, with_finding
from tests.engine.told import BACTERIAL, bacterial, undecided

PROTOCOL = load()
PENICILLINS = {"amoxicillin", "ampicillin", "benzylpenicillin"}
SEVERE_CLASSES = set(BACTERIAL[:3])
NO_ILLNESS = "infection-unlikely"
STATUS = {0: "success", 1: "data-requested", 2: "data-required"}
settings.register_profile("engine", max_examples=300, deadline=None, derandomize=True)
settings.load_profile("engine")


def said(case: Case, code: str, answer: Answer) -> bool:
    """Whether this answer was given to this question, in this visit."""
    return any(one.code == code and one.answer is answer for one in case.findings)


def everything(thing: Any, seen: set[int] | None = None) -> Iterator[Any]:
    """Every value inside a decision, its content included, each object once."""
    seen = set() if seen is None else seen
    if id(thing) in seen:
        return
    seen.add(id(thing))
    yield thing
    if is_dataclass(thing):
        inside: Any = [getattr(thing, field.name) for field in fields(thing)]
    elif isinstance(thing, dict):
        inside = [*thing, *thing.values()]
    elif isinstance(thing, tuple | list | set | frozenset):
        inside = thing
    else:
        return
    for one in inside:
        yield from everything(one, seen)


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
    }[dose.medicine.code]


@given(infants())
def test_no_float_anywhere_in_a_decision(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    own = replace(decision, protocol=None)  # type: ignore[arg-type]
    assert not [one for one in everything(own) if isinstance(one, float)]


def test_no_float_anywhere_in_the_content() -> None:
    assert not [one for one in everything(PROTOCOL) if isinstance(one, float)]


@given(infants())
def test_every_dose_is_in_its_published_range_below_its_ceiling_and_measurable(case: Case) -> None:
    for order in decide(case, PROTOCOL).plan.orders:
        dose = order.dose
        low, high = allowed(order)
        assert low <= round(dose.per_kg, 6) <= high, order.key
        assert dose.amount.value > 0
        assert dose.amount.value % dose.formulation.step.value == 0
        contained = dose.formulation.contained(dose.amount).value
        assert abs(contained - dose.contained.value) <= Decimal("0.05")
        if dose.medicine.code == "amoxicillin":
            assert contained <= 400
        if dose.medicine.code == "gentamicin":
            assert contained <= 60


@given(infants())
def test_what_is_handed_out_holds_the_whole_course(case: Case) -> None:
    for order in decide(case, PROTOCOL).plan.orders:
        assert order.doses >= 1
        pack = order.dose.formulation.pack_size.value
        assert order.packs * pack >= order.doses * order.dose.amount.value
        if order.days is not None:
            assert order.doses <= order.days * order.times_a_day


@given(infants(), st.randoms(use_true_random=False))
def test_the_order_of_what_was_sent_changes_nothing(case: Case, rng: random.Random) -> None:
    mixed = replace(
        case,
        findings=tuple(rng.sample(case.findings, len(case.findings))),
        measurements=tuple(rng.sample(case.measurements, len(case.measurements))),
        given=tuple(rng.sample(case.given, len(case.given))),
    )
    one, other = decide(case, PROTOCOL), decide(mixed, PROTOCOL)
    assert one.plan == other.plan
    assert one.assessment == other.assessment
    assert one.id == other.id


@given(infants())
def test_the_unit_of_a_weight_changes_nothing(case: Case) -> None:
    grams = replace(
        case,
        measurements=tuple(
            replace(one, quantity=Quantity.of(one.quantity.value * 1000, "g").to("kg"))
            if one.quantity.unit == "kg"
            else one
            for one in case.measurements
        ),
    )
    assert decide(grams, PROTOCOL).plan == decide(case, PROTOCOL).plan


@given(infants(), st.sampled_from(ASKED), st.sampled_from((Answer.YES, Answer.NO)))
def test_an_answer_to_an_open_question_never_reverses_a_decided_row(
    case: Case, code: str, answer: Answer
) -> None:
    """A sign that counts only when YES may turn a NO row; rows below a class are not judged."""
    assume(all(one.code != code for one in case.findings))
    before = _rows(decide(case, PROTOCOL))
    after = _rows(decide(with_finding(case, code, answer), PROTOCOL))
    counts_only_when_yes = code in {*FURTHER, "umbilical-redness-spreading", "severe-pustules"}
    for row, was in before.items():
        if was is Answer.YES:
            assert after.get(row, Answer.YES) is Answer.YES, row
        if was is Answer.NO and not (counts_only_when_yes and answer is Answer.YES):
            assert after.get(row, Answer.NO) is not Answer.YES, row


def _rows(decision: Decision) -> dict[str, Answer]:
    rows = decision.assessment.rows
    return {one.row.code: one.answer for one in rows if one.row.code != NO_ILLNESS}


@given(infants(), st.sampled_from(DANGER))
def test_one_more_danger_sign_never_means_less(case: Case, code: str) -> None:
    before, after = decide(case, PROTOCOL), decide(with_finding(case, code, Answer.YES), PROTOCOL)
    ranks = {code: rank for rank, code in enumerate((*BACTERIAL, "undecided"))}
    assert ranks[bacterial(after)] <= ranks[bacterial(before)]
    assert bacterial(after) in BACTERIAL[:2]
    assert after.plan.referral is not None
    assert after.plan.referral.urgent
    assert {one.key for one in after.plan.emergency} >= {one.key for one in before.plan.emergency}


@given(infants())
def test_at_most_one_bacterial_class_and_each_class_once(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    codes = Counter(held.code for held in decision.assessment.classes)
    assert sum(codes[code] for code in BACTERIAL) <= 1
    assert max(codes.values(), default=1) == 1


@given(complete_infants())
def test_exactly_one_bacterial_class_when_everything_required_is_known(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    assert bacterial(decision) in BACTERIAL
    assert undecided(decision) == []


@given(infants())
def test_either_one_class_or_a_named_open_row(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if bacterial(decision) == "undecided":
        assert undecided(decision)
        assert decision.plan.status == "data-required"


@given(infants())
def test_nothing_found_is_never_said_while_a_row_above_is_open(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    for held in decision.assessment.classes:
        assert not (held.code == NO_ILLNESS and held.open_above)


@given(infants())
def test_no_dose_without_a_weight(case: Case) -> None:
    unweighed = replace(
        case,
        measurements=tuple(
            one for one in case.measurements if one.kind not in {"weight", "birth-weight"}
        ),
    )
    plan = decide(unweighed, PROTOCOL).plan
    assert plan.orders == ()


@given(infants())
def test_the_weight_of_every_dose_was_measured(case: Case) -> None:
    known = {
        one.quantity.to("kg").value
        for one in case.measurements
        if one.kind in {"weight", "birth-weight"}
    }
    for order in decide(case, PROTOCOL).plan.orders:
        assert order.dose.weight.to("kg").value in known


@given(infants())
def test_no_forbidden_medicine_for_an_allergic_infant(case: Case) -> None:
    """Section 5 (MSF, LBL seen)."""
    given_out = {order.dose.medicine.code for order in decide(case, PROTOCOL).plan.orders}
    if said(case, "penicillin-allergy", Answer.YES):
        assert not given_out & {*PENICILLINS, "ceftriaxone"}
    if said(case, "aminoglycoside-allergy", Answer.YES):
        assert "gentamicin" not in given_out
    if said(case, "cephalosporin-allergy", Answer.YES):
        assert "ceftriaxone" not in given_out


@given(infants())
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


@given(infants())
def test_one_medicine_one_order_in_each_branch(case: Case) -> None:
    orders = decide(case, PROTOCOL).plan.orders
    placed = [(order.branch, order.dose.medicine.code) for order in orders]
    assert len(set(placed)) == len(placed)
    assert len({order.key for order in orders}) == len(orders)


@given(infants())
def test_a_medicine_already_being_given_is_not_ordered_again(case: Case) -> None:
    """Section 5 (practice); injections are judged by hours since the last instead."""
    for used in case.in_use:
        if all(dose.medicine != used.medicine for dose in case.given):
            orders = decide(case, PROTOCOL).plan.orders
            assert used.medicine not in {order.dose.medicine.code for order in orders}


@given(infants())
def test_gentamicin_is_never_due_within_20_hours_of_the_last(case: Case) -> None:
    """Section 3: the next is due 24 h later, never under 20 h."""
    for order in decide(case, PROTOCOL).plan.orders:
        last = [d.at for d in case.given if d.medicine == "gentamicin" and d.at is not None]
        if order.dose.medicine.code == "gentamicin" and last:
            assert (order.first_due - max(last)).total_seconds() >= 20 * 3600


@given(infants())
def test_an_urgent_referral_whenever_a_severe_class_holds(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if bacterial(decision) in SEVERE_CLASSES:
        assert decision.plan.referral is not None
        assert decision.plan.referral.urgent
        assert decision.plan.choice != ""


@given(infants())
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


@given(infants())
def test_the_choice_follows_what_was_said_of_referral(case: Case) -> None:
    plan = decide(case, PROTOCOL).plan
    possible = {one.answer for one in case.findings if one.code == "referral-possible"}
    if plan.choice == "refer":
        assert Answer.YES in possible
    if plan.choice == "here":
        assert Answer.NO in possible


@given(infants())
def test_below_one_and_a_half_kilograms_there_is_no_outpatient_regimen(case: Case) -> None:
    """WHO/UNICEF joint statement (seen)."""
    for order in decide(case, PROTOCOL).plan.orders:
        assert order.dose.weight.value >= 1
        if order.dose.weight.value < Decimal("1.5"):
            assert order.dose.medicine.code != "amoxicillin"
            assert order.dose.medicine.code != "gentamicin" or order.days is None


@given(infants())
def test_nothing_by_mouth_for_an_infant_who_fits_or_is_unconscious(case: Case) -> None:
    """Section 3, PB13 3.7 (seen in part)."""
    if not (said(case, "convulsing-now", Answer.YES) or said(case, "unconscious", Answer.YES)):
        return
    plan = decide(case, PROTOCOL).plan
    assert "nothing-by-mouth" in {one.key.rpartition(".")[2] for one in plan.emergency}
    assert "amoxicillin" not in {order.dose.medicine.code for order in plan.orders}
    assert "prevent-low-sugar-by-mouth" not in {one.key.rpartition(".")[2] for one in plan.care}


@given(infants())
def test_the_status_follows_from_what_is_missing(case: Case) -> None:
    """Design, decision 3: data-required, data-requested, success."""
    plan = decide(case, PROTOCOL).plan
    needed = max((2 if missing.required else 1 for missing in plan.missing), default=0)
    assert plan.status == STATUS[needed]


@given(infants())
def test_an_open_row_above_makes_data_required(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if undecided(decision):
        assert decision.plan.status == "data-required"
        assert any(missing.required for missing in decision.plan.missing)


@given(infants())
def test_every_severe_class_open_above_is_said_in_the_plan(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if not undecided(decision):
        return
    if bacterial(decision) != "undecided":
        assert "finish-the-assessment" in {one.code for one in decision.plan.cautions}
    assert {one.key for one in decision.plan.summary} & {"summary.undecided", "summary.no-class"}


@given(infants())
def test_one_first_day_to_come_back_in_each_branch(case: Case) -> None:
    plan = decide(case, PROTOCOL).plan
    for branch in {visit.branch for visit in plan.follow_ups}:
        visits = [visit for visit in plan.follow_ups if visit.branch == branch]
        first = [visit.on for visit in visits if visit.first]
        assert first == [min(visit.on for visit in visits)]


@given(infants())
def test_every_word_of_the_plan_can_be_printed_with_all_its_values(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    for message in {one for one in everything(decision.plan) if type(one).__name__ == "Message"}:
        text = render(PROTOCOL, message)
        assert text.strip()
        assert "{" not in text.replace("{tbl}", "")


@given(infants())
def test_the_same_question_has_the_same_answer(case: Case) -> None:
    assert decide(case, PROTOCOL) == decide(case, PROTOCOL)


SCRIPT = "from tests.engine.test_properties import fingerprint; print(fingerprint())"


def fingerprint() -> str:
    """One hash over the decisions of every written case."""
    digest = hashlib.sha256()
    for told in every_case():
        decision = decide(told.case, PROTOCOL)
        digest.update(repr((decision.id, decision.assessment, decision.plan)).encode())
    return digest.hexdigest()


@pytest.mark.parametrize("seed", ["0", "1", "4242"])
def test_another_process_with_another_hash_seed_decides_the_same(
    seed: str, pytestconfig: pytest.Config
) -> None:
    environment = {**os.environ, "PYTHONHASHSEED": seed}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=pytestconfig.rootpath,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == fingerprint()
