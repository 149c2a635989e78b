"""Courses that run: day, doses given, missed and left, the next one and the last day.

Clinical content, section 3: continue, never double, say how many remain, extend the last day
(practice); "already given" is judged by hours since the dose; one medicine, one order.
"""

from datetime import timedelta

import pytest

from cds_service.case import Origin
from tests.changing import replace
from tests.engine.courses import (
    DAY,
    EVERY,
    HALF,
    amoxicillin,
    counts,
    course,
    dose,
    follow_up,
    missed,
    order,
    slots,
)
from tests.engine.test_edges import AT, measured
from tests.engine.test_left_out import cautions, made, severe


@pytest.mark.parametrize("medicine", ["gentamicin", "amoxicillin"])
@pytest.mark.parametrize("day", range(2, 9))
def test_a_course_that_was_given_as_planned(medicine: str, day: int) -> None:
    times = slots(medicine, day)
    given = tuple(dose(medicine, at) for at in times)
    plan = made(follow_up(times[0], given=given, in_use=(order(medicine, times[0]),))).plan
    one, total = course(plan, medicine), 7 * int(DAY / EVERY[medicine])
    left = total - len(times)
    assert counts(one) == (day, len(times), 0, 0, left)
    assert (one.total, one.complete) == (total, left == 0)
    assert one.state == ("stop" if left == 0 else "continue")
    assert one.next_due == (None if left == 0 else AT)
    assert one.doubt == ""
    if left:
        assert one.last_day == (times[0] + EVERY[medicine] * (total - 1)).date()
    assert medicine not in {each.dose.medicine.code for each in plan.orders}
    assert (one.origin, one.ordered) == (Origin(f"MedicationRequest/{medicine}"), True)


def test_on_day_one_the_order_of_this_visit_is_not_written_again() -> None:
    known = severe(given=(dose("gentamicin", AT),), in_use=(order("gentamicin", AT),))
    plan = made(known).plan
    one = course(plan, "gentamicin")
    assert counts(one) == (1, 1, 0, 0, 6)
    assert one.next_due == AT + DAY
    assert "gentamicin" not in {each.dose.medicine.code for each in plan.orders}


def test_a_missed_injection_is_never_doubled_and_moves_the_last_day() -> None:
    first, second = AT - 2 * DAY, AT - DAY
    known = follow_up(
        first,
        given=(dose("gentamicin", first),),
        missed=(missed("gentamicin", second),),
        in_use=(order("gentamicin", first),),
    )
    decision = made(known)
    one = course(decision.plan, "gentamicin")
    assert counts(one) == (3, 1, 1, 0, 6)
    assert (one.next_due, one.last_day) == (AT, (AT + 5 * DAY).date())
    # One gentamicin injection missed in clinical severe infection: see today (practice).
    assert "high" in {s for c, s in cautions(decision).items() if "missed" in c}


@pytest.mark.parametrize("count", [1, 2])
def test_two_missed_oral_doses_in_a_row_are_grave(count: int) -> None:
    times = slots("amoxicillin", 3)
    lost = times[-count:]
    known = follow_up(
        times[0],
        given=tuple(dose("amoxicillin", at) for at in times[:-count]),
        missed=tuple(missed("amoxicillin", at) for at in lost),
        in_use=(order("amoxicillin", times[0]),),
    )
    decision = made(known)
    assert counts(course(decision.plan, "amoxicillin")) == (3, 4 - count, count, 0, 10 + count)
    grave = {c for c, s in cautions(decision).items() if "missed" in c and s == "high"}
    assert bool(grave) is (count == 2)


def test_a_dose_that_came_late_moves_those_after_it() -> None:
    times = [AT - 3 * DAY, AT - 2 * DAY + timedelta(hours=4), AT - DAY + timedelta(hours=3)]
    given = tuple(dose("gentamicin", at) for at in times)
    known = follow_up(times[0], given=given, in_use=(order("gentamicin", times[0]),))
    one = course(made(known).plan, "gentamicin")
    assert counts(one) == (4, 3, 0, 0, 4)
    assert one.next_due == AT  # 21 hours after the last: enough have passed


def test_an_injection_given_today_is_not_given_again() -> None:
    times = [AT - DAY, AT - timedelta(hours=2)]
    given = tuple(dose("gentamicin", at) for at in times)
    known = follow_up(times[0], given=given, in_use=(order("gentamicin", times[0]),))
    one = course(made(known).plan, "gentamicin")
    assert one.next_due == times[1] + DAY


def test_an_order_for_the_rest_of_a_course_counts_what_was_given_before_it() -> None:
    first = AT - 3 * DAY
    times = [first, first + DAY, first + 2 * DAY]
    rest = order("gentamicin", first + 2 * DAY - timedelta(minutes=5), days=5)
    known = follow_up(first, given=tuple(dose("gentamicin", at) for at in times), in_use=(rest,))
    one = course(made(known).plan, "gentamicin")
    assert (one.total, one.given, one.left) == (7, 3, 4)


def test_without_an_order_the_rest_is_ordered_as_before() -> None:
    times = slots("gentamicin", 4)
    plan = made(follow_up(times[0], given=tuple(dose("gentamicin", at) for at in times))).plan
    (one,) = [each for each in plan.orders if each.dose.medicine.code == "gentamicin"]
    assert one.doses == 4


def test_one_missed_dose_is_a_word_of_caution() -> None:
    known = amoxicillin()
    lost = known.given[-1]
    assert lost.at is not None
    decision = made(
        replace(known, given=known.given[:-1], missed=(missed("amoxicillin", lost.at),))
    )
    assert cautions(decision)["dose-missed"] == "moderate"
    assert "dose-missed" not in cautions(made(known))


def test_one_dose_of_an_illness_is_no_course() -> None:
    # Below 1.5 kg: one gentamicin only, the next on advice (section 3).
    known = severe(given=(dose("gentamicin", AT - HALF),))
    small = tuple(one for one in known.measurements if one.kind != "weight")
    plan = made(replace(known, measurements=(*small, measured("weight", "1.4", "kg")))).plan
    assert "gentamicin" not in {one.medicine for one in plan.courses}


def test_injections_that_are_complete_need_no_more_daily_visits() -> None:
    times = [AT - 2 * DAY, AT - DAY]
    use = order("gentamicin", times[0], days=2)
    given = tuple(dose("gentamicin", at) for at in times)
    plan = made(follow_up(times[0], given=given, in_use=(use,))).plan
    assert course(plan, "gentamicin").complete
    assert not [one for one in plan.follow_ups if one.key == "next-injection"]
    going_on = made(follow_up(times[0], given=given, in_use=(order("gentamicin", times[0]),))).plan
    (visits,) = [one for one in going_on.follow_ups if one.key == "next-injection"]
    assert visits.until == course(going_on, "gentamicin").last_day
