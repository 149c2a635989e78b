"""Courses of which the record is not whole: what may have been given is not given again.

Clinical content, section 3: "already given" is judged by the record; what is not recorded may have
been given, so it is asked about and the next dose waits.
"""

from datetime import timedelta

import pytest

from cds_service.case import MissedDose, Origin, Refusal
from tests.changing import replace
from tests.engine.courses import DAY, amoxicillin, counts, course, dose, follow_up, order, slots
from tests.engine.test_edges import AT
from tests.engine.test_left_out import cautions, made, refused


def test_doses_that_nobody_recorded_are_not_missed_and_are_asked_about() -> None:
    first = AT - 3 * DAY
    known = follow_up(
        first, given=(dose("amoxicillin", first),), in_use=(order("amoxicillin", first),)
    )
    decision = made(known)
    assert counts(course(decision.plan, "amoxicillin")) == (4, 1, 0, 5, 8)
    assert any("unrecorded" in code or "recorded" in code for code in cautions(decision))
    assert "amoxicillin" in {m.code for m in decision.plan.missing}


def test_a_treatment_that_goes_on_without_any_record_is_not_begun_again() -> None:
    decision = made(follow_up(AT - 2 * DAY))
    assert decision.plan.orders == ()
    assert "no-dose-record-missing" in cautions(decision)
    assert decision.plan.status == "data-required"
    asked = {m.code for m in decision.plan.missing if m.required and m.kind == "medicine"}
    assert asked == {"gentamicin", "amoxicillin"}


def test_missed_doses_without_a_time_may_all_be_in_a_row() -> None:
    some_time = tuple(MissedDose("amoxicillin", None, Origin(f"M/{each}")) for each in "ab")
    decision = made(amoxicillin(missed=some_time))
    assert course(decision.plan, "amoxicillin").missed == 2
    assert cautions(decision)["missed-doses"] == "high"


def test_a_dose_of_a_running_order_given_at_an_unknown_time_holds_the_next() -> None:
    known = amoxicillin()
    decision = made(replace(known, given=(*known.given, dose("amoxicillin", None))))
    assert course(decision.plan, "amoxicillin").next_due is None
    assert cautions(decision)["no-dose-given-at-unknown-time"] == "high"
    assert "amoxicillin" in {one.code for one in decision.plan.missing if one.required}


def test_a_record_of_a_running_order_that_cannot_be_used_holds_the_next() -> None:
    status, origin = (("status", "unknown"),), Origin("MedicationAdministration/x")
    unclear = Refusal("status-not-usable", origin, status, "amoxicillin")
    decision = made(amoxicillin(refusals=(unclear,)))
    assert course(decision.plan, "amoxicillin").next_due is None
    assert cautions(decision)["no-dose-record-unclear"] == "high"


@pytest.mark.parametrize(("day", "left"), [(6, 2), (7, 1)])
def test_down_to_the_last_dose_an_unclear_record_is_to_be_cleared_first(
    day: int, left: int
) -> None:
    times = slots("gentamicin", day)
    known = follow_up(
        times[0],
        given=tuple(dose("gentamicin", at) for at in times),
        in_use=(order("gentamicin", times[0]),),
        refusals=(refused("gentamicin"),),
    )
    decision = made(known)
    one = course(decision.plan, "gentamicin")
    assert (one.left, one.next_due, one.doubt) == (left, None, "record-unclear")
    assert "gentamicin" in {each.code for each in decision.plan.missing if each.required}


def test_hours_after_the_first_visit_nothing_is_given_again_without_its_record() -> None:
    # Section 3: "already given" is judged by the record; what is not recorded may have been given.
    decision = made(follow_up(AT - timedelta(hours=5)))
    assert decision.plan.orders == ()
    assert cautions(decision)["no-dose-record-missing"] == "high"
    assert decision.plan.status == "data-required"
