"""Parts of a plan that nothing else looks at by themselves."""

from cds_service.case import Answer
from cds_service.engine import decide
from tests.changing import replace
from tests.engine.cases import read
from tests.engine.test_courses import AT, DAY, dose, follow_up
from tests.engine.test_edges import PROTOCOL, found
from tests.engine.test_left_out import WELL, healthy, made


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
