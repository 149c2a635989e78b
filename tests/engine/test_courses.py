"""Courses that run: day, doses given, missed and left, the next one and the last day.

Clinical content, section 3: continue, never double, say how many remain, extend the last day
(practice); "already given" is judged by hours since the dose; one medicine, one order. Section 6:
vomited within 10 minutes: repeat once (practice).
"""

from datetime import datetime, timedelta

import pytest
from hypothesis import given as for_every
from hypothesis import strategies as st

from cds_service.case import (
    Case,
    EarlierClass,
    GivenDose,
    MedicineInUse,
    MissedDose,
    Origin,
    Refusal,
)
from cds_service.content.text import render
from cds_service.engine.identity import canonical
from cds_service.engine.model import Plan, RunningCourse
from cds_service.engine.settle import settle
from cds_service.engine.vomited import vomited as judged
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.test_edges import AT, NO, PROTOCOL, YES, found, measured
from tests.engine.test_left_out import cautions, healthy, made, refused, severe

DAY = timedelta(days=1)
HALF = timedelta(hours=12)
DAYS = {"gentamicin": 7, "amoxicillin": 7}
EVERY = {"gentamicin": DAY, "amoxicillin": HALF}
NOT_BEFORE = {"gentamicin": timedelta(hours=20), "amoxicillin": timedelta(hours=8)}


HIV = "mother-hiv-positive"


def dose(medicine: str, at: datetime | None) -> GivenDose:
    return GivenDose(medicine, at, Origin(f"MedicationAdministration/{medicine}-{at}"))


def missed(medicine: str, at: datetime) -> MissedDose:
    return MissedDose(medicine, at, Origin(f"MedicationAdministration/not-{medicine}-{at}"))


def order(medicine: str, since: datetime, **changes: object) -> MedicineInUse:
    told = MedicineInUse(
        medicine,
        Origin(f"MedicationRequest/{medicine}"),
        since=since,
        days=DAYS[medicine],
        a_day=int(DAY / EVERY[medicine]),
        amount=Quantity.of("0.5", "{tbl}") if medicine == "amoxicillin" else None,
        ordered=True,
    )
    return told._replace(**changes)  # type: ignore[arg-type]


def follow_up(since: datetime, *more: object, **changes: object) -> Case:
    """The infant of a severe infection at a visit after the first, better."""
    earlier = (EarlierClass("clinical-severe-infection", since, Origin("Condition/1")),)
    known = severe(earlier=earlier, **changes)
    answers = {"course-better": YES, "course-same": NO, "course-worse": NO, "feeding-poorly": NO}
    findings = [one for one in known.findings if one.code not in answers]
    findings += [found(code, answer) for code, answer in answers.items()]
    return replace(known, findings=(*findings, *more))


def course(plan: Plan, medicine: str) -> RunningCourse:
    (one,) = [each for each in plan.courses if each.medicine == medicine]
    return one


def counts(one: RunningCourse) -> tuple[int, int, int, int, int]:
    return one.day, one.given, one.missed, one.unrecorded, one.left


def slots(medicine: str, day: int) -> list[datetime]:
    """The times of the doses before now, when the course began `day - 1` days ago."""
    every = EVERY[medicine]
    return [AT - every * back for back in range(int(DAY / every) * (day - 1), 0, -1)]


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


def test_doses_that_nobody_recorded_are_not_missed_and_are_asked_about() -> None:
    first = AT - 3 * DAY
    known = follow_up(
        first, given=(dose("amoxicillin", first),), in_use=(order("amoxicillin", first),)
    )
    decision = made(known)
    assert counts(course(decision.plan, "amoxicillin")) == (4, 1, 0, 5, 8)
    assert any("unrecorded" in code or "recorded" in code for code in cautions(decision))
    assert "amoxicillin" in {m.code for m in decision.plan.missing}


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


def test_a_treatment_that_goes_on_without_any_record_is_not_begun_again() -> None:
    decision = made(follow_up(AT - 2 * DAY))
    assert decision.plan.orders == ()
    assert "no-dose-record-missing" in cautions(decision)
    assert decision.plan.status == "data-required"
    asked = {m.code for m in decision.plan.missing if m.required and m.kind == "medicine"}
    assert asked == {"gentamicin", "amoxicillin"}


def test_without_an_order_the_rest_is_ordered_as_before() -> None:
    times = slots("gentamicin", 4)
    plan = made(follow_up(times[0], given=tuple(dose("gentamicin", at) for at in times))).plan
    (one,) = [each for each in plan.orders if each.dose.medicine.code == "gentamicin"]
    assert one.doses == 4


def test_an_order_of_an_illness_long_past_is_none() -> None:
    old = order("amoxicillin", AT - 40 * DAY)
    plan = made(severe(in_use=(old,))).plan
    assert "amoxicillin" in {each.dose.medicine.code for each in plan.orders}


def test_an_order_that_an_allergy_forbids_stops() -> None:
    first = AT - DAY
    known = follow_up(
        first, given=(dose("amoxicillin", first),), in_use=(order("amoxicillin", first),)
    )
    findings = [one for one in known.findings if one.code != "penicillin-allergy"]
    known = replace(known, findings=(*findings, found("penicillin-allergy", YES)))
    one = course(made(known).plan, "amoxicillin")
    assert (one.state, one.next_due) == ("stop", None)


def test_after_a_reaction_the_course_waits_for_advice() -> None:
    first = AT - DAY
    known = follow_up(
        first,
        found("drug-reaction", YES),
        given=(dose("amoxicillin", first),),
        in_use=(order("amoxicillin", first),),
    )
    one = course(made(known).plan, "amoxicillin")
    assert (one.state, one.next_due) == ("hold", None)
    # No dose is due, so none waits for the record.
    some_time = replace(known, given=(*known.given, dose("amoxicillin", None)))
    decision = made(some_time)
    assert course(decision.plan, "amoxicillin").doubt == ""
    assert "no-dose-given-at-unknown-time" not in cautions(decision)


def test_when_there_was_no_reaction_the_course_goes_on() -> None:
    first = AT - DAY
    use, given = order("gentamicin", first), (dose("gentamicin", first),)
    known = follow_up(first, found("drug-reaction", NO), given=given, in_use=(use,))
    assert course(made(known).plan, "gentamicin").state == "continue"


def test_a_course_is_judged_only_where_an_earlier_class_is_known() -> None:
    first = AT - DAY
    told = {"given": (dose("gentamicin", first),), "in_use": (order("gentamicin", first),)}
    assert "course-running" in cautions(made(severe(**told)))
    assert "course-running" not in cautions(made(follow_up(first, **told)))


def vomit(minutes_ago: int | None) -> object:
    one = found("vomited-after-dose", YES)
    return one._replace(at=None if minutes_ago is None else AT - timedelta(minutes=minutes_ago))


def vomited(
    *minutes_ago: int | None, doses: tuple[int, ...] = (30,), formulation: str = ""
) -> object:
    """A course of amoxicillin since yesterday; doses and vomiting so many minutes ago."""
    first = AT - DAY
    times = [first, first + HALF, *(AT - timedelta(minutes=ago) for ago in doses)]
    return made(
        follow_up(
            first,
            *(vomit(ago) for ago in minutes_ago),
            given=tuple(dose("amoxicillin", at) for at in times),
            in_use=(order("amoxicillin", first, formulation=formulation),),
        )
    )


def test_a_repeat_says_what_is_in_the_dose_where_the_order_names_the_product() -> None:
    # Half a tablet of 250 mg (section 4), as measured and as contained.
    decision = vomited(22, formulation="amoxicillin-dispersible-tablet-250mg")
    told = [str(render(PROTOCOL, each.message)) for each in decision.plan.care]
    assert any("half a tablet" in each and "125 mg" in each for each in told), told


def test_vomited_after_eight_minutes_is_repeated_once_now() -> None:
    decision = vomited(22)
    one = course(decision.plan, "amoxicillin")
    # The repeat is due now; the next dose follows at its time after it.
    assert (one.given, one.left, one.repeat_now, one.next_due) == (2, 12, True, AT + HALF)
    assert one.last_day == (AT + 11 * HALF).date()
    assert "repeat-the-dose" in {each.message.key.removeprefix("care.") for each in
                                 decision.plan.care}  # fmt: skip


@pytest.mark.parametrize("after", [10, 11, 25])
def test_the_window_is_ten_minutes(after: int) -> None:
    decision = vomited(30 - after)
    repeat = "repeat-the-dose" in {each.message.key.removeprefix("care.") for each in
                                   decision.plan.care}  # fmt: skip
    assert repeat is (after == 10)
    one = course(decision.plan, "amoxicillin")
    assert one.given == (2 if after == 10 else 3)
    if after > 10:
        assert one.next_due == AT - timedelta(minutes=30) + HALF


def test_a_repeated_dose_that_is_vomited_too_is_not_repeated_again() -> None:
    decision = vomited(38, 15, doses=(45, 20))
    assert cautions(decision)["vomited-again"] == "high"
    assert "repeat-the-dose" not in {each.message.key.removeprefix("care.") for each in
                                     decision.plan.care}  # fmt: skip
    one = course(decision.plan, "amoxicillin")
    assert one.next_due == AT - timedelta(minutes=20) + HALF
    assert "no-dose-doses-too-close" not in cautions(decision)
    assert "vomited-repeat" not in cautions(decision)


@pytest.mark.parametrize(("apart", "again"), [(479, True), (480, False)])
def test_a_dose_eight_hours_after_a_vomited_one_is_no_repeat_of_it(apart: int, again: bool) -> None:
    # Amoxicillin is due again after 8 h at the soonest (practice): that dose may be repeated.
    told = cautions(vomited(apart, 2, doses=(apart + 5, 5)))
    assert ("vomited-again" in told) is again
    assert ("vomited-repeat" in told) is not again


def test_a_dose_that_was_repeated_already_is_not_repeated_now() -> None:
    decision = vomited(38, doses=(45, 20))
    assert "repeat-the-dose" not in {each.message.key.removeprefix("care.") for each in
                                     decision.plan.care}  # fmt: skip
    assert course(decision.plan, "amoxicillin").given == 3
    assert cautions(decision)["vomited-repeated"] == "low"


def test_vomiting_of_which_the_time_is_not_known_is_asked_about() -> None:
    decision = vomited(None)
    assert "vomited-unknown" in cautions(decision)
    asked = {(m.kind, m.code, m.required) for m in decision.plan.missing}
    assert ("finding", "vomited-after-dose", False) in asked
    nothing = made(severe())
    known = replace(nothing.case, findings=(*nothing.case.findings, vomit(5)))
    assert "vomited-unknown" in cautions(made(known))


RECORDS = st.lists(
    st.tuples(
        st.sampled_from(("given", "missed", "vomited")),
        st.sampled_from(("amoxicillin", "gentamicin")),
        st.integers(0, 9 * 24 * 60),
    ),
    max_size=12,
)
ORDERS = st.lists(
    st.tuples(st.sampled_from(("amoxicillin", "gentamicin")), st.integers(0, 9 * 24 * 60)),
    max_size=3,
)


@st.composite
def records(draw: st.DrawFn) -> Case:
    given, missing, vomits = [], [], []
    for kind, medicine, ago in draw(RECORDS):
        at = AT - timedelta(minutes=ago)
        if kind == "given":
            given.append(dose(medicine, at))
        elif kind == "missed":
            missing.append(missed(medicine, at))
        else:
            vomits.append(vomit(ago))
    in_use = [order(code, AT - timedelta(minutes=ago)) for code, ago in draw(ORDERS)]
    since = AT - timedelta(days=draw(st.integers(0, 9)))
    return follow_up(
        since, *vomits, given=tuple(given), missed=tuple(missing), in_use=tuple(in_use)
    )


@for_every(records())
def test_numbers_of_a_course_never_contradict_each_other(case: Case) -> None:
    plan = made(case).plan
    for one in plan.courses:
        assert one.given + one.left <= one.total or one.left == 0
        assert one.complete is (one.left == 0)
        assert one.day >= 1
        assert min(one.given, one.missed, one.unrecorded, one.left) >= 0
        if one.next_due is not None:
            lost = {f.at for f in case.findings if f.code == "vomited-after-dose"}
            times = [d.at for d in case.given if d.medicine == one.medicine and d.at is not None]
            if times and not lost:
                assert one.next_due >= max(times) + NOT_BEFORE[one.medicine]
            assert one.last_day is not None
            assert one.last_day >= one.next_due.date()
    placed = [(each.branch, each.dose.medicine.code) for each in plan.orders]
    assert len(set(placed)) == len(placed)
    running = {one.medicine for one in plan.courses if one.ordered and one.state == "continue"}
    assert not running & {each.dose.medicine.code for each in plan.orders}


@for_every(records())
def test_every_record_is_part_of_the_question(case: Case) -> None:
    assert canonical(case) != canonical(replace(case, earlier=()))


def amoxicillin(*more: object, **changes: object) -> Case:
    """A course of amoxicillin since yesterday by order, every dose recorded."""
    times = slots("amoxicillin", 2)
    given = tuple(dose("amoxicillin", at) for at in times)
    told = {"given": given, "in_use": (order("amoxicillin", times[0]),), **changes}
    return follow_up(times[0], *more, **told)


def repeats(decision: object) -> list[str]:
    return [each.key for each in decision.plan.care if each.key.endswith("repeat-the-dose")]


def test_one_missed_dose_is_a_word_of_caution() -> None:
    known = amoxicillin()
    lost = known.given[-1]
    assert lost.at is not None
    decision = made(
        replace(known, given=known.given[:-1], missed=(missed("amoxicillin", lost.at),))
    )
    assert cautions(decision)["dose-missed"] == "moderate"
    assert "dose-missed" not in cautions(made(known))


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


def test_two_active_orders_of_one_medicine_are_said_and_the_latest_counts() -> None:
    known = amoxicillin()
    later = order("amoxicillin", AT - HALF, days=5, origin=Origin("MedicationRequest/later"))
    decision = made(replace(known, in_use=(*known.in_use, later)))
    assert cautions(decision)["several-orders"] == "moderate"
    assert course(decision.plan, "amoxicillin").origin == later.origin


def test_an_order_that_no_class_asks_for_is_asked_about() -> None:
    first = AT - DAY
    use = order("amoxicillin", first)._replace(medicine="nystatin", a_day=4)
    decision = made(amoxicillin(given=(), in_use=(use,)))
    one = course(decision.plan, "nystatin")
    assert (one.asked_for, one.branch) == (False, "")
    assert cautions(decision)["course-not-asked-for"] == "moderate"


def test_an_order_that_says_neither_since_when_nor_how_long() -> None:
    bare = order("amoxicillin", AT)._replace(since=None, days=None, a_day=None)
    # With doses recorded the course is the one that is due, without them nothing is counted.
    one = course(made(amoxicillin(in_use=(bare,))).plan, "amoxicillin")
    assert (one.total, one.given, one.left) == (14, 2, 12)
    # Of an infant with an earlier class the course is counted from that visit.
    assert course(made(amoxicillin(in_use=(bare,), given=())).plan, "amoxicillin").day == 2
    nothing = made(severe(in_use=(bare,)))
    assert nothing.plan.courses == ()
    assert "no-dose-already-being-given" in cautions(nothing)


def test_an_order_that_no_class_asks_for_and_that_says_no_length_is_no_course() -> None:
    use = order("amoxicillin", AT - DAY, days=None)._replace(medicine="nystatin")
    assert made(severe(in_use=(use,))).plan.courses == ()


def test_one_dose_of_an_illness_is_no_course() -> None:
    # Below 1.5 kg: one gentamicin only, the next on advice (section 3).
    known = severe(given=(dose("gentamicin", AT - HALF),))
    small = tuple(one for one in known.measurements if one.kind != "weight")
    plan = made(replace(known, measurements=(*small, measured("weight", "1.4", "kg")))).plan
    assert "gentamicin" not in {one.medicine for one in plan.courses}


def test_a_class_found_now_may_ask_for_more_days_than_were_ordered() -> None:
    known = amoxicillin()
    (use,) = known.in_use
    short = severe(given=known.given, in_use=(use._replace(days=5),))
    decision = made(short)
    assert course(decision.plan, "amoxicillin").longer == 7
    assert cautions(decision)["course-too-short"] == "moderate"


def test_a_kidney_problem_stops_gentamicin_of_ten_days_at_seven() -> None:
    # Section 5: stop at 7 d (MSF, LBL seen).
    first = AT - DAY
    use = order("gentamicin", first, days=10)
    known = follow_up(first, given=(dose("gentamicin", first),), in_use=(use,))
    assert course(made(known).plan, "gentamicin").total == 10
    findings = [one for one in known.findings if one.code != "kidney-problem"]
    ill = replace(known, findings=(*findings, found("kidney-problem", YES)))
    assert course(made(ill).plan, "gentamicin").total == 7


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


def test_a_vomited_dose_is_repeated_by_the_order_that_is_made_now() -> None:
    known = severe(given=(dose("amoxicillin", AT - timedelta(minutes=20)),))
    decision = made(replace(known, findings=(*known.findings, vomit(12))))
    assert repeats(decision) == ["here.amoxicillin.repeat-the-dose"]
    (one,) = [each for each in decision.plan.orders if each.dose.medicine.code == "amoxicillin"]
    assert (one.first_due, one.doses) == (AT, 14)
    assert "dose-repeats-the-vomited" in {message.key for message in one.instructions}


def test_the_amount_of_a_repeat_is_that_of_the_order() -> None:
    known = vomited(22).case
    words = [dict(e.message.values)["amount"].key for e in made(known).plan.care if e.weighed]
    assert words[:1] == ["amount.{tbl}.half"]
    bare = replace(known, in_use=(known.in_use[0]._replace(amount=None),))
    words = [dict(e.message.values)["amount"].key for e in made(bare).plan.care if e.weighed]
    assert words[:1] == ["amount.as-ordered"]


def test_nothing_is_repeated_while_the_course_waits_for_advice() -> None:
    known = vomited(22).case
    findings = [one for one in known.findings if one.code != "drug-reaction"]
    held = replace(known, findings=(*findings, found("drug-reaction", YES)))
    assert repeats(made(held)) == []


def test_a_dose_vomited_at_an_earlier_visit_counts_as_not_given_and_is_not_spoken_of() -> None:
    known = amoxicillin()
    first = known.given[0].at
    assert first is not None
    old = found("vomited-after-dose", YES)._replace(at=first + timedelta(minutes=5))
    decision = made(replace(known, findings=(*known.findings, old)))
    assert course(decision.plan, "amoxicillin").given == 1
    assert not [code for code in cautions(decision) if code.startswith("vomited")]


def test_of_two_medicines_given_together_both_are_lost() -> None:
    at = AT - timedelta(minutes=20)
    known = severe(given=(dose("amoxicillin", at), dose("cotrimoxazole", at)))
    decision = made(replace(known, findings=(*known.findings, vomit(15))))
    told = [one.medicine for one in decision.plan.cautions if one.code == "vomited-repeat"]
    assert sorted(told) == ["amoxicillin", "cotrimoxazole"]


def test_an_injection_is_not_vomited_and_an_older_medicine_is_not_meant() -> None:
    known = severe(
        given=(
            dose("gentamicin", AT - timedelta(minutes=20)),
            dose("amoxicillin", AT - timedelta(hours=5)),
            dose("cotrimoxazole", AT - timedelta(hours=20)),
        )
    )
    decision = made(replace(known, findings=(*known.findings, vomit(15))))
    told = [(one.code, one.medicine) for one in decision.plan.cautions if "vomited" in one.code]
    assert told == [("vomited-too-late", "amoxicillin")]


def test_with_a_dose_at_an_unknown_time_it_is_not_known_which_was_vomited() -> None:
    known = severe(
        given=(dose("amoxicillin", AT - timedelta(hours=9)), dose("cotrimoxazole", None))
    )
    decision = made(replace(known, findings=(*known.findings, vomit(15))))
    assert "vomited-unknown" in cautions(decision)


def test_a_record_of_a_running_order_that_cannot_be_used_holds_the_next() -> None:
    status, origin = (("status", "unknown"),), Origin("MedicationAdministration/x")
    unclear = Refusal("status-not-usable", origin, status, "amoxicillin")
    decision = made(amoxicillin(refusals=(unclear,)))
    assert course(decision.plan, "amoxicillin").next_due is None
    assert cautions(decision)["no-dose-record-unclear"] == "high"


def test_an_order_without_an_end_is_not_over_while_doses_are_given() -> None:
    use = order("amoxicillin", AT - 20 * DAY, days=None)
    recent = severe(given=(dose("amoxicillin", AT - HALF),), in_use=(use,))
    assert course(made(recent).plan, "amoxicillin").ordered
    # Nobody knows that it ended, so it is still taken as running.
    assert "amoxicillin" not in {
        one.dose.medicine.code for one in made(severe(in_use=(use,))).plan.orders
    }


def test_vomiting_long_after_the_last_recorded_dose_is_asked_about() -> None:
    # A dose in between is likely, and nobody wrote it down.
    known = severe(given=(dose("amoxicillin", AT - timedelta(hours=9)),))
    decision = made(replace(known, findings=(*known.findings, vomit(15))))
    told = [(one.code, one.medicine) for one in decision.plan.cautions if "vomited" in one.code]
    assert told == [("vomited-unknown", "")]
    assert decision.plan.status != "success"


def test_what_is_known_of_vomiting_keeps_when_it_was() -> None:
    for ago, when in ((15, AT - timedelta(minutes=15)), (600, AT - timedelta(hours=10))):
        given = (dose("amoxicillin", AT - timedelta(minutes=20)),)
        known = severe(given=given)
        facts = settle(replace(known, findings=(*known.findings, vomit(ago))), PROTOCOL)
        assert [(each.at, each.verdict) for each in judged(facts)] == [
            (when, "repeat" if ago == 15 else "unknown")
        ]


def test_vomiting_in_the_minute_in_which_the_visit_begins_is_of_this_visit() -> None:
    begins = AT - timedelta(minutes=12)
    for minutes, spoken_of in ((12, True), (13, False)):
        given = (dose("amoxicillin", AT - timedelta(minutes=20)),)
        known = severe(given=given, visit_start=begins)
        decision = made(replace(known, findings=(*known.findings, vomit(minutes))))
        assert ("vomited-repeat" in cautions(decision)) is spoken_of


def test_the_last_dose_of_a_course_may_be_a_repeat() -> None:
    times = [AT - timedelta(minutes=20) - HALF * back for back in range(13, -1, -1)]
    given = tuple(dose("amoxicillin", at) for at in times)
    use = order("amoxicillin", times[0])
    plan = made(follow_up(times[0], vomit(15), given=given, in_use=(use,))).plan
    one = course(plan, "amoxicillin")
    assert (one.left, one.repeat_now, one.next_due) == (1, True, None)
    assert (one.state, one.last_day) == ("continue", AT.date())


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


def test_two_active_orders_that_differ_wait() -> None:
    known = amoxicillin()
    other = order("amoxicillin", AT - HALF, amount=None, origin=Origin("MedicationRequest/other"))
    decision = made(replace(known, in_use=(*known.in_use, other)))
    assert course(decision.plan, "amoxicillin").state == "hold"
    assert cautions(decision)["several-orders"] == "high"


def test_no_injections_are_dated_while_the_course_waits() -> None:
    first = AT - DAY
    use = order("gentamicin", first, a_day=3)
    plan = made(follow_up(first, given=(dose("gentamicin", first),), in_use=(use,))).plan
    assert course(plan, "gentamicin").state == "hold"
    assert not [one for one in plan.follow_ups if one.key == "next-injection"]


@pytest.mark.parametrize("sign", ["convulsing-now", "unconscious", "unable-to-feed"])
def test_a_course_by_mouth_waits_while_the_baby_cannot_swallow(sign: str) -> None:
    # Section 3: nothing by mouth (PB13 3.7 seen in part; practice).
    known = amoxicillin()
    findings = [one for one in known.findings if one.code != sign]
    decision = made(replace(known, findings=(*findings, found(sign, YES))))
    one = course(decision.plan, "amoxicillin")
    assert one.state in {"hold", "stop"}
    assert one.next_due is None


def test_a_course_that_an_allergy_forbids_stops_and_says_so() -> None:
    known = amoxicillin()
    findings = [one for one in known.findings if one.code != "penicillin-allergy"]
    decision = made(replace(known, findings=(*findings, found("penicillin-allergy", YES))))
    one = course(decision.plan, "amoxicillin")
    assert (one.state, one.complete, one.next_due) == ("stop", False, None)
    assert cautions(decision)["course-forbidden"] == "high"
    assert "course-complete" not in cautions(decision)


def test_a_course_of_which_every_dose_was_given_is_complete_and_not_forbidden() -> None:
    times = slots("gentamicin", 8)
    given = tuple(dose("gentamicin", at) for at in times)
    decision = made(follow_up(times[0], given=given, in_use=(order("gentamicin", times[0]),)))
    assert cautions(decision)["course-complete"] == "low"
    assert "course-forbidden" not in cautions(decision)


def test_a_course_in_whose_place_another_of_its_kind_is_given_stops() -> None:
    # Critical illness: ampicillin and gentamicin; amoxicillin by order is not gone on with.
    known = severe(in_use=(order("amoxicillin", AT - DAY),))
    findings = [one for one in known.findings if one.code != "convulsions"]
    decision = made(replace(known, findings=(*findings, found("convulsions", YES))))
    one = course(decision.plan, "amoxicillin")
    assert "ampicillin" in {each.dose.medicine.code for each in decision.plan.orders}
    assert (one.state, one.replaced, one.branch) == ("stop", True, "here")
    assert cautions(decision)["course-replaced"] == "high"
    assert "course-forbidden" not in cautions(decision)


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


def test_a_medicine_of_an_earlier_class_that_no_table_follows_up_is_known() -> None:
    # Thrush: nystatin goes on by its order, and the class for which it was begun is sent.
    use = order("amoxicillin", AT - DAY, amount=None)._replace(medicine="nystatin", a_day=4)
    thrush = (EarlierClass("thrush", AT - DAY, Origin("Condition/thrush")),)
    assert "course-running" in cautions(made(severe(in_use=(use,))))
    assert "course-running" not in cautions(made(severe(in_use=(use,), earlier=thrush)))


def prophylaxis(medicine: str, days: int, *more: object, **changes: object) -> Case:
    """A well infant whose doses once a day, or as its order says, have all been given."""
    times = [AT - DAY * back for back in range(days, 0, -1)]
    use = order("gentamicin", times[0], days=days)._replace(medicine=medicine)
    given = tuple(dose(medicine, at) for at in times)
    known = healthy(in_use=(use,), given=given, **changes)
    return replace(known, findings=(*(one for one in known.findings if one.code != HIV), *more))


@pytest.mark.parametrize("asked", [True, False])
@pytest.mark.parametrize("medicine", ["nevirapine", "cotrimoxazole"])
def test_prophylaxis_of_which_the_ordered_doses_are_given_is_renewed(
    medicine: str, asked: bool
) -> None:
    # Section 4: for at least 14 days, then reviewed. Not asked at this visit is not ended.
    answered = [found(HIV, YES)] if asked else []
    decision = made(prophylaxis(medicine, 14, *answered, age=40))
    one = course(decision.plan, medicine)
    assert (one.state, one.left, one.next_due, one.complete) == ("renew", 0, None, False)
    assert cautions(decision)["course-to-renew"] == "moderate"
    assert "course-complete" not in cautions(decision)
    # The order that runs is renewed; no second one is written beside it.
    assert medicine not in {each.dose.medicine.code for each in decision.plan.orders}


def test_without_an_order_prophylaxis_that_was_given_is_renewed_too() -> None:
    decision = made(replace(prophylaxis("nevirapine", 14, found(HIV, YES)), in_use=()))
    assert course(decision.plan, "nevirapine").state == "renew"
    assert cautions(decision)["course-to-renew"] == "moderate"


def test_what_is_given_for_a_fixed_time_ends() -> None:
    one = course(made(prophylaxis("gentamicin", 7)).plan, "gentamicin")
    assert (one.state, one.complete) == ("stop", True)


def test_a_course_that_an_allergy_forbids_is_not_renewed() -> None:
    known = prophylaxis("ampicillin", 10, found("penicillin-allergy", YES))
    assert "ampicillin" in PROTOCOL.open_ended
    assert course(made(known).plan, "ampicillin").state == "stop"


def test_injections_of_at_least_ten_days_stop_where_a_condition_stops_them() -> None:
    first = AT - 10 * DAY
    times = [AT - DAY * back for back in range(10, 0, -1)]
    use = order("gentamicin", first, days=10)
    known = replace(
        follow_up(first, given=tuple(dose("gentamicin", at) for at in times), in_use=(use,)),
        earlier=(EarlierClass("critical-illness", first, Origin("Condition/1")),),
    )
    assert course(made(known).plan, "gentamicin").state == "renew"
    findings = [one for one in known.findings if one.code != "kidney-problem"]
    ill = replace(known, findings=(*findings, found("kidney-problem", YES)))
    assert course(made(ill).plan, "gentamicin").state == "stop"


def test_an_illness_of_three_weeks_ago_is_no_treatment_that_goes_on() -> None:
    earlier = (EarlierClass("clinical-severe-infection", AT - 20 * DAY, Origin("Condition/1")),)
    plan = made(severe(earlier=earlier)).plan
    assert {o.dose.medicine.code: (o.doses, o.first_due) for o in plan.orders} == {
        "gentamicin": (7, AT),
        "amoxicillin": (14, AT),
    }


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


def test_an_order_without_an_end_is_not_over_while_somebody_records_what_was_missed() -> None:
    use = order("amoxicillin", AT - 20 * DAY, days=None)
    lost = tuple(missed("amoxicillin", AT - ago) for ago in (19 * DAY, HALF))
    assert course(made(severe(missed=lost, in_use=(use,))).plan, "amoxicillin").missed == 2


def test_hours_after_the_first_visit_nothing_is_given_again_without_its_record() -> None:
    # Section 3: "already given" is judged by the record; what is not recorded may have been given.
    decision = made(follow_up(AT - timedelta(hours=5)))
    assert decision.plan.orders == ()
    assert cautions(decision)["no-dose-record-missing"] == "high"
    assert decision.plan.status == "data-required"
