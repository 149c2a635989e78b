"""Earlier doses that nobody recorded may have been given: the dose that is due is no first one.

Clinical content, section 5: the first gentamicin dose without delay; before dose 2 urine passed in
the last 12 h, else hold and refer (MSF, LBL seen; rest practice).
"""

from datetime import timedelta

import pytest

from cds_service.case import Answer, Origin
from cds_service.engine.model import Decision
from tests.changing import replace
from tests.engine.courses import DAY, course, dose, follow_up, missed, order
from tests.engine.test_course_holds import REFERRAL, ordered_medicines, words
from tests.engine.test_edges import AT, NO, YES, found
from tests.engine.test_left_out import cautions, made

HOUR = timedelta(hours=1)


def dry(ago: timedelta, urine: Answer | None = YES, **changes: object) -> Decision:
    """Gentamicin ordered so long ago, sunken eyes; of its doses nothing is recorded."""
    more = {"diarrhoea": YES, "sunken-eyes": YES, REFERRAL: NO}
    more |= {} if urine is None else {"little-urine": urine}
    known = follow_up(AT - ago, in_use=(order("gentamicin", AT - ago),))
    kept = [each for each in known.findings if each.code not in more]
    findings = (*kept, *(found(code, answer) for code, answer in more.items()))
    return made(replace(known, findings=findings, **changes))


@pytest.mark.parametrize("days", [1, 2, 5])
def test_with_little_urine_the_dose_is_held_and_the_infant_referred(days: int) -> None:
    decision = dry(DAY * days)
    one = course(decision.plan, "gentamicin")
    assert (one.given, one.unrecorded, one.state, one.next_due) == (0, days, "hold", None)
    assert decision.plan.referral is not None
    assert "from the second dose on" in words(decision, "no-dose-little-urine")
    assert "gentamicin" not in ordered_medicines(decision, "here")


@pytest.mark.parametrize("urine", [YES, NO, None])
def test_nothing_is_said_of_a_first_dose_without_delay(urine: Answer | None) -> None:
    told = cautions(dry(DAY, urine))
    assert "urine-before-each-dose" in told
    assert "kidney-or-little-urine" not in told
    assert "course-unrecorded" in told


def test_urine_that_nobody_asked_about_is_asked_and_required() -> None:
    asked = [each for each in dry(DAY, None).plan.missing if each.code == "little-urine"]
    assert [each.required for each in asked] == [True]
    assert not [each for each in dry(DAY, NO).plan.missing if each.code == "little-urine"]


def test_a_dose_that_is_recorded_as_missed_was_not_given_and_the_next_is_the_first() -> None:
    decision = dry(DAY, missed=(missed("gentamicin", AT - DAY),))
    assert course(decision.plan, "gentamicin").state == "continue"
    assert decision.plan.referral is None
    assert "first dose without delay" in words(decision, "kidney-or-little-urine")


def test_one_missed_of_two_leaves_the_other_open() -> None:
    decision = dry(DAY * 2, missed=(missed("gentamicin", AT - DAY * 2),))
    assert course(decision.plan, "gentamicin").state == "hold"
    assert decision.plan.referral is not None


def test_an_order_of_this_visit_is_begun_with_its_first_dose() -> None:
    decision = dry(HOUR)
    assert course(decision.plan, "gentamicin").state == "continue"
    assert "first dose without delay" in words(decision, "kidney-or-little-urine")


def test_an_order_of_the_evening_before_may_have_been_begun_then() -> None:
    # 10 hours are not yet the time of a second dose, but the first may have been given.
    decision = dry(HOUR * 10)
    assert course(decision.plan, "gentamicin").unrecorded == 0
    assert course(decision.plan, "gentamicin").state == "hold"
    assert decision.plan.referral is not None


def test_an_order_without_a_date_counts_from_the_visit_at_which_treatment_was_begun() -> None:
    undated = order("gentamicin", AT)._replace(since=None, origin=Origin("MedicationRequest/g"))
    decision = dry(DAY * 2, in_use=(undated,))
    assert course(decision.plan, "gentamicin").state == "hold"
    assert decision.plan.referral is not None


def test_a_course_whose_doses_all_came_due_is_not_referred_for_urine() -> None:
    decision = dry(DAY * 7)
    assert course(decision.plan, "gentamicin").left == 0
    assert "no-dose-little-urine" not in cautions(decision)
    assert decision.plan.referral is None


def test_a_dose_of_twelve_hours_ago_after_one_that_nobody_recorded_is_not_followed_yet() -> None:
    decision = dry(DAY + HOUR * 12, given=(dose("gentamicin", AT - HOUR * 12),))
    assert course(decision.plan, "gentamicin").state == "continue"
    assert decision.plan.referral is None
