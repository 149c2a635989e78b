"""What is ordered beside what would be due: another amount, other times, another length.

Clinical content, section 3: days of each class, gentamicin no longer than 7 days without advice;
section 4: the doses.
"""

from datetime import timedelta

import pytest

from cds_service.case import EarlierClass, Origin
from cds_service.content.text import render
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, amoxicillin, course, dose, follow_up, order
from tests.engine.test_edges import AT, NO, PROTOCOL, YES, found, measured
from tests.engine.test_left_out import cautions, made, severe


def test_a_class_found_now_may_ask_for_more_days_than_were_ordered() -> None:
    known = amoxicillin()
    (use,) = known.in_use
    short = severe(given=known.given, in_use=(use._replace(days=5),))
    decision = made(short)
    assert course(decision.plan, "amoxicillin").longer == 7
    assert cautions(decision)["course-too-short"] == "moderate"


@pytest.mark.parametrize(
    ("changes", "differs"),
    [
        ({}, False),
        ({"amount": Quantity.of("1", "{tbl}")}, False),  # 125 mg tablets: one tablet at 3.4 kg
        ({"amount": Quantity.of("2", "{tbl}")}, True),
        ({"amount": Quantity.of("5", "mL")}, False),  # 125 mg in 5 mL, 2.5 to 4 kg
        ({"amount": Quantity.of("25", "mL")}, True),
        ({"amount": Quantity.of("125", "mg")}, False),
        ({"amount": Quantity.of("0.125", "g")}, False),
        ({"amount": Quantity.of("500", "mg")}, True),
        ({"amount": Quantity.of("40", "mg")}, True),
        ({"amount": Quantity.of("93.75", "mg")}, False),  # a quarter less than 125 mg, no more
        ({"amount": Quantity.of("93.7", "mg")}, True),
        ({"amount": Quantity.of("187.5", "mg")}, False),  # half as much again, no more
        ({"amount": Quantity.of("187.6", "mg")}, True),
        ({"amount": Quantity.of("3", "Cel")}, False),  # no dose at all: nothing to compare
        ({"amount": None}, False),
        ({"a_day": 4}, True),
        ({"days": 14}, True),
    ],
)
def test_an_order_that_differs_from_the_protocol_waits(
    changes: dict[str, object], differs: bool
) -> None:
    # Section 4: half a 250 mg tablet or 5 mL of 125 mg/5 mL twice a day for 2.5 to 4 kg.
    known = amoxicillin()
    (use,) = known.in_use
    decision = made(replace(known, in_use=(use._replace(**changes),)))  # type: ignore[arg-type]
    one = course(decision.plan, "amoxicillin")
    assert (one.state == "hold") is differs
    assert ("course-differs" in cautions(decision)) is differs
    if differs:
        assert one.next_due is None
        assert decision.plan.status != "success"
    assert "amoxicillin" not in {each.dose.medicine.code for each in decision.plan.orders}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"a_day": 4}, ("four times a day", "twice a day")),
        ({"days": 14}, ("14 days", "7 days")),
        (
            {"amount": Quantity.of("2", "{tbl}")},
            ("2 tablets", "half a tablet = 125 mg (250 mg in 1 tablet)"),
        ),
    ],
)
def test_what_is_ordered_and_what_would_be_due_are_said_beside_each_other(
    changes: dict[str, object], words: tuple[str, str]
) -> None:
    known = amoxicillin()
    (use,) = known.in_use
    decision = made(replace(known, in_use=(use._replace(**changes),)))  # type: ignore[arg-type]
    (caution,) = [one for one in decision.plan.cautions if one.code == "course-differs"]
    ordered, due = (
        render(PROTOCOL, dict(caution.message.values)[one]) for one in ("ordered", "due")
    )
    assert (ordered, due) == words


@pytest.mark.parametrize(("days", "too_long"), [(7, False), (8, True), (10, True)])
def test_gentamicin_nobody_asks_for_is_no_longer_than_seven_days(days: int, too_long: bool) -> None:
    # Section 3: beyond 7 days a daily caution, advice by phone.
    use = order("gentamicin", AT - DAY, days=days)
    kept = [one for one in severe().findings if one.code != "feeding-poorly"]
    known = replace(severe(in_use=(use,)), findings=(*kept, found("feeding-poorly", NO)))
    decision = made(known)
    assert (course(decision.plan, "gentamicin").state == "hold") is too_long
    assert ("course-differs" in cautions(decision)) is too_long
    assert ("gentamicin-beyond-seven-days" in cautions(decision)) is too_long


def test_without_a_weight_an_amount_is_not_compared() -> None:
    known = amoxicillin()
    light = tuple(one for one in known.measurements if one.kind != "weight")
    assert "course-differs" not in cautions(made(replace(known, measurements=light)))


def test_no_injections_are_dated_while_the_course_waits() -> None:
    first = AT - DAY
    use = order("gentamicin", first, a_day=3)
    plan = made(follow_up(first, given=(dose("gentamicin", first),), in_use=(use,))).plan
    assert course(plan, "gentamicin").state == "hold"
    assert not [one for one in plan.follow_ups if one.key == "next-injection"]


def test_a_second_class_that_asks_for_more_days_is_said_beside_the_one_that_goes_on() -> None:
    # Local infection since yesterday (5 days), pneumonia found now (7 days): section 3.
    first = AT - DAY
    known = severe(
        earlier=(EarlierClass("local-bacterial-infection", first, Origin("Condition/2")),),
        given=(dose("amoxicillin", first),),
        in_use=(order("amoxicillin", first, days=5),),
    )
    changed = {"feeding-poorly": NO, "umbilicus-red": YES, "course-same": YES,
               "course-better": NO, "course-worse": NO}  # fmt: skip
    kept = [one for one in known.findings if one.code not in changed]
    findings = (*kept, *(found(code, answer) for code, answer in changed.items()))
    calm = [one for one in known.measurements if one.kind != "respiratory-rate"]
    rates = [
        measured("respiratory-rate", "66", "/min", AT - timedelta(minutes=20)),
        measured("respiratory-rate", "64", "/min", AT - timedelta(minutes=10)),
    ]
    decision = made(replace(known, findings=findings, measurements=(*calm, *rates)))
    assert decision.assessment.holds("pneumonia")
    assert course(decision.plan, "amoxicillin").longer == 7
    assert cautions(decision)["course-too-short"] == "moderate"


@pytest.mark.parametrize(
    ("told", "differs"), [("25 mL", True), ("5 mL", False), ("250 mg", True), ("3 Cel", False)]
)
def test_without_a_believable_weight_the_ceiling_is_still_held(told: str, differs: bool) -> None:
    # Section 4: no single dose above gentamicin 60 mg; 10 mg/mL is the weakest product.
    value, unit = told.split()
    first = AT - DAY
    use = order("gentamicin", first, amount=Quantity.of(value, unit))
    known = follow_up(first, given=(dose("gentamicin", first),), in_use=(use,))
    light = tuple(one for one in known.measurements if one.kind != "weight")
    decision = made(replace(known, measurements=light))
    assert ("course-differs" in cautions(decision)) is differs
