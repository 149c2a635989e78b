"""Courses that stop, wait for advice, are replaced, or are renewed.

Clinical content, section 3: nothing by mouth for a baby who cannot swallow (practice); section 4:
prophylaxis for at least 14 days; section 5: a kidney problem stops gentamicin at 7 days.
"""

import pytest

from cds_service.case import EarlierClass, Origin
from tests.changing import replace
from tests.engine.courses import (
    DAY,
    HIV,
    amoxicillin,
    course,
    dose,
    follow_up,
    order,
    prophylaxis,
    slots,
)
from tests.engine.test_edges import AT, NO, PROTOCOL, YES, found
from tests.engine.test_left_out import cautions, made, severe


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


def test_a_kidney_problem_stops_gentamicin_of_ten_days_at_seven() -> None:
    # Section 5: stop at 7 d (MSF, LBL seen).
    first = AT - DAY
    use = order("gentamicin", first, days=10)
    known = follow_up(first, given=(dose("gentamicin", first),), in_use=(use,))
    assert course(made(known).plan, "gentamicin").total == 10
    findings = [one for one in known.findings if one.code != "kidney-problem"]
    ill = replace(known, findings=(*findings, found("kidney-problem", YES)))
    assert course(made(ill).plan, "gentamicin").total == 7


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
