"""Vomiting after a dose of a course: repeated once, never twice, and asked about in doubt.

Clinical content, section 6: vomited within 10 minutes: repeat once (practice).
"""

from datetime import timedelta

import pytest

from cds_service.content.text import render
from cds_service.engine.settle import settle
from cds_service.engine.vomited import vomited as judged
from tests.changing import replace
from tests.engine.courses import DAY, HALF, amoxicillin, course, dose, follow_up, order, vomit
from tests.engine.test_edges import AT, PROTOCOL, YES, found
from tests.engine.test_left_out import cautions, made, severe


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


def repeats(decision: object) -> list[str]:
    return [each.key for each in decision.plan.care if each.key.endswith("repeat-the-dose")]


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
