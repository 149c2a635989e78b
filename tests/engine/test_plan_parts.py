"""Parts of a plan that nothing else looks at by themselves."""

import pytest

from cds_service.case import Age, Answer, EarlierClass, Origin
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.computed import day_of_treatment
from cds_service.engine.model import Decision
from cds_service.engine.settle import settle
from tests.changing import replace
from tests.engine.cases import every_case, read
from tests.engine.courses import DAY, dose, follow_up
from tests.engine.test_edges import AT, PROTOCOL, YES, case, found, measured
from tests.engine.test_left_out import WELL, cautions, healthy, made, severe


def care(decision: object) -> set[str]:
    return {one.key.rpartition(".")[2] for one in decision.plan.care}  # type: ignore[attr-defined]


def test_only_an_unfinished_assessment_is_to_be_finished() -> None:
    open_one = [
        one if one.code != "feeding-poorly" else found(one.code, Answer.NOT_ASSESSED)
        for one in WELL
    ]
    known = healthy()
    others = [one for one in known.findings if one.code not in {each.code for each in open_one}]
    unfinished = made(replace(known, findings=(*open_one, *others)))
    assert unfinished.plan.status == "data-required"
    assert "finish-the-assessment" in care(unfinished)
    assert "finish-the-assessment" not in care(made(known))


def test_of_two_ways_both_are_options_and_the_second_names_the_first() -> None:
    # LBL (seen): ceftriaxone instead, when all its conditions are known.
    told = read(
        {
            "case": "ceftriaxone is offered",
            "source": "LBL (seen)",
            "infant": {
                "age": "28 d", "weight": "3.4 kg", "gestation": "37 wk", "temperature": "37.0 Cel",
                "breaths": [48], "signs": ["convulsions"],
                "absent": [
                    "jaundice", "calcium-infusion", "penicillin-allergy", "cephalosporin-allergy",
                ],
            },
            "referral possible": False,
            "expect": {},
        }
    )  # fmt: skip
    orders = {one.dose.medicine.code: one for one in decide(told.case, PROTOCOL).plan.orders}
    assert orders["ceftriaxone"].instead_of == orders["ampicillin"].key
    assert orders["ceftriaxone"].is_option
    assert orders["ampicillin"].is_option
    assert not orders["gentamicin"].is_option


def test_a_dose_of_the_day_on_which_the_treatment_began_counts_whatever_the_gap() -> None:
    # Section 3: doses are counted over the whole course; no order, one dose four days ago.
    first = AT - 4 * DAY
    plan = made(follow_up(first, given=(dose("gentamicin", first),))).plan
    (order,) = [one for one in plan.orders if one.dose.medicine.code == "gentamicin"]
    assert (order.doses, order.first_due) == (6, AT)


def test_only_who_goes_home_is_told_what_to_watch_for_at_home() -> None:
    here = severe()
    sent = replace(here, findings=(*here.findings[:-3], found("referral-possible", YES)))
    assert (made(sent).plan.choice, made(sent).plan.counselling) == ("refer", ())
    assert made(here).plan.counselling
    # Nothing is classed yet: nobody knows who goes home.
    assert made(case()).plan.counselling == ()


def test_a_referral_for_assessment_is_neither_urgent_nor_the_only_course() -> None:
    # ETH (seen): jaundice after 14 days of life is assessed elsewhere; care here goes on.
    yellow = replace(healthy(), age=Age(20, 20))
    known = [one for one in yellow.findings if one.code != "jaundice"]
    yellow = replace(yellow, findings=(*known, found("jaundice", YES)))
    sent = made(yellow).plan.assessment_referral
    assert sent is not None
    assert (sent.urgent, sent.only, sent.is_option) == (False, False, False)


def test_without_an_earlier_visit_no_treatment_has_a_day() -> None:
    visits = (EarlierClass("pneumonia", AT - 2 * DAY, Origin("Condition/1")),)
    known = settle(case(earlier=visits), PROTOCOL)
    assert day_of_treatment(known, "pneumonia") == (3, 3)
    assert day_of_treatment(known, "clinical-severe-infection") == (0, 0)


def test_beside_a_tablet_the_volume_of_the_liquid_is_told() -> None:
    # 3.4 kg at 50 mg/kg are 170 mg; of 125 mg in 5 mL that is 6.8 mL, told in steps of 0.5 mL.
    (order,) = [
        one for one in made(severe()).plan.orders if one.dose.medicine.code == "amoxicillin"
    ]
    told = [render(PROTOCOL, each) for each in (*order.dose.notes, *order.instructions)]
    assert [each for each in told if "about 7 mL of amoxicillin" in each], "\n".join(told)


def red_umbilicus(feeding: Answer) -> Decision:
    known = severe()
    changed = {
        "umbilicus-red": YES,
        "umbilical-redness-spreading": Answer.NO,
        "feeding-poorly": feeding,
    }
    kept = [one for one in known.findings if one.code not in changed]
    return made(replace(known, findings=(*kept, *(found(*each) for each in changed.items()))))


def test_the_course_of_a_local_infection_waits_only_while_a_severe_one_is_open() -> None:
    # Section 3: in a severe infection its antibiotics are those of the local one too.
    assert cautions(red_umbilicus(Answer.NOT_ASSESSED))["course-waits"] == "moderate"
    assert red_umbilicus(YES).assessment.holds("local-bacterial-infection")
    assert "course-waits" not in cautions(red_umbilicus(YES))
    assert "course-waits" not in cautions(red_umbilicus(Answer.NO))


def test_a_dose_that_waits_says_what_to_find_out() -> None:
    (told,) = [
        each
        for each in every_case()
        if each.name.endswith("zidovudine, birth weight unknown, no dose")
    ]
    (waits,) = [
        each for each in decide(told.case, PROTOCOL).plan.cautions
        if each.code == "no-dose-rule-open"
    ]  # fmt: skip
    assert waits.action is not None
    assert "irth weight" in render(PROTOCOL, waits.action)


@pytest.mark.parametrize(
    ("kg", "age", "worked_out"), [("3.4", 12, True), ("0.9", 12, False), ("3.4", 70, False)]
)
def test_amounts_are_worked_out_only_where_a_dose_would_be(
    kg: str, age: int, worked_out: bool
) -> None:
    # Section 5: below 1.0 kg no amount is worked out, nor outside the age; it is told per kilogram.
    known = replace(healthy(measured("blood-glucose", "1.8", "mmol/L")), age=Age(age, age))
    others = tuple(one for one in known.measurements if one.kind != "weight")
    light = replace(known, measurements=(*others, measured("weight", kg, "kg")))
    told = made(light).plan.emergency
    assert told
    assert any(one.weighed for one in told) is worked_out
