"""Courses that wait: amoxicillin beside an injected penicillin, gentamicin without urine.

Clinical content, section 2: under a severe class only its local care is added; section 3:
pre-referral one dose of ampicillin and gentamicin (P20 seen); critical illness ampicillin and
gentamicin (W24 seen), if the referral fails amoxicillin starts at once and ampicillin stops
(critical illness: continues); clinical severe infection here: gentamicin and amoxicillin (W24).
"""

from datetime import timedelta

import pytest

from cds_service.case import Answer, Case, EarlierClass, Origin
from cds_service.content.text import render
from cds_service.engine.course_words import title
from cds_service.engine.model import Decision
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, course, dose, follow_up, order, slots
from tests.engine.test_edges import AT, NO, PROTOCOL, YES, found, measured
from tests.engine.test_left_out import cautions, made

REFERRAL = "referral-possible"
TIMES = slots("amoxicillin", 3)
GIVEN = tuple(dose("amoxicillin", at) for at in TIMES)


def pneumonia(*more: object, referral: Answer | None, ordered: bool = True) -> Case:
    """Day 3 of amoxicillin for pneumonia, and something severe today."""
    known = follow_up(TIMES[0], *more, given=GIVEN)
    earlier = (EarlierClass("pneumonia", TIMES[0], Origin("Condition/1")),)
    use = (order("amoxicillin", TIMES[0]),) if ordered else ()
    findings = [one for one in known.findings if one.code != REFERRAL]
    findings += [] if referral is None else [found(REFERRAL, referral)]
    return replace(known, findings=tuple(findings), in_use=use, earlier=earlier)


def fever(referral: Answer | None, *, ordered: bool = True) -> Decision:
    """Clinical severe infection by a new fever."""
    known = pneumonia(referral=referral, ordered=ordered)
    kept = tuple(one for one in known.measurements if one.kind != "temperature")
    hot = measured("temperature", "38.6", "Cel", site="axillary")
    return made(replace(known, measurements=(*kept, hot)))


def convulsions(referral: Answer | None, *, ordered: bool = True, **changes: object) -> Decision:
    """Critical illness by convulsions in this illness."""
    known = pneumonia(referral=referral, ordered=ordered)
    kept = tuple(one for one in known.findings if one.code != "convulsions")
    known = replace(known, findings=(*kept, found("convulsions", YES)))
    return made(replace(known, **changes))


def ordered_medicines(decision: Decision, branch: str) -> set[str]:
    return {each.dose.medicine.code for each in decision.plan.orders if each.branch == branch}


def words(decision: Decision, code: str) -> str:
    (one,) = [each for each in decision.plan.cautions if each.code == code]
    return str(render(PROTOCOL, one.message))


def test_before_a_referral_amoxicillin_waits_beside_ampicillin_and_starts_if_it_fails() -> None:
    decision = fever(YES)
    one = course(decision.plan, "amoxicillin")
    assert "ampicillin" in ordered_medicines(decision, "refer")
    assert (one.state, one.next_due, one.last_day) == ("hold", None, None)
    said = words(decision, "course-beside-referral")
    assert "If the referral fails, Amoxicillin is begun again at once and Ampicillin stops." in said
    assert "course-on-hold" not in cautions(decision)


def test_before_a_referral_for_critical_illness_it_waits_also_when_the_referral_fails() -> None:
    decision = convulsions(YES)
    assert course(decision.plan, "amoxicillin").state == "hold"
    said = words(decision, "course-beside-referral-on")
    assert "If the referral fails, Ampicillin goes on and Amoxicillin still waits." in said


def test_in_clinical_severe_infection_treated_here_amoxicillin_goes_on() -> None:
    decision = fever(NO)
    assert course(decision.plan, "amoxicillin").state == "continue"
    assert "gentamicin" in ordered_medicines(decision, "here")
    assert "ampicillin" not in ordered_medicines(decision, "here")


def test_where_the_referral_is_open_amoxicillin_goes_on_only_in_the_treatment_here() -> None:
    decision = fever(None)
    one = course(decision.plan, "amoxicillin")
    assert decision.plan.choice == "refer-then-here"
    assert (one.state, one.branch) == ("continue", "here")
    assert "ampicillin" in ordered_medicines(decision, "refer")


@pytest.mark.parametrize("ordered", [True, False])
def test_in_critical_illness_here_amoxicillin_is_not_given_beside_ampicillin(
    ordered: bool,
) -> None:
    decision = convulsions(NO, ordered=ordered)
    here = ordered_medicines(decision, "here")
    assert {"ampicillin", "gentamicin"} <= here
    assert "amoxicillin" not in here
    if ordered:
        assert course(decision.plan, "amoxicillin").state == "hold"
    assert "Ampicillin, of the same kind, is given here in its place" in words(
        decision, "course-beside-injection"
    )


def test_without_ampicillin_in_stock_amoxicillin_goes_on() -> None:
    stock = frozenset({"amoxicillin-tablet-250mg", "gentamicin-vial-80mg-2ml"})
    decision = convulsions(NO, stock=stock)
    assert course(decision.plan, "amoxicillin").state == "continue"
    assert "no-dose-not-in-stock" in cautions(decision)


def test_ampicillin_given_just_before_the_referral_keeps_amoxicillin_waiting() -> None:
    given = (*GIVEN, dose("ampicillin", AT - DAY / 12))
    decision = convulsions(YES, given=given)
    assert "ampicillin" not in ordered_medicines(decision, "refer")
    assert course(decision.plan, "amoxicillin").state == "hold"


def test_ampicillin_that_runs_for_critical_illness_keeps_amoxicillin_waiting() -> None:
    runs = order("amoxicillin", TIMES[0])
    amp = runs._replace(
        medicine="ampicillin", origin=Origin("MedicationRequest/amp"), since=AT - DAY / 2,
        days=10, amount=None,
    )  # fmt: skip
    given = (*GIVEN, dose("ampicillin", AT - DAY / 2))
    decision = convulsions(NO, in_use=(runs, amp), given=given)
    assert course(decision.plan, "ampicillin").state == "continue"
    assert course(decision.plan, "amoxicillin").state == "hold"


@pytest.mark.parametrize("referral", [YES, NO])
def test_a_course_that_waits_for_a_reason_of_its_own_keeps_its_words(referral: Answer) -> None:
    wrong = order("amoxicillin", TIMES[0])._replace(amount=Quantity.of("2", "{tbl}"))
    decision = convulsions(referral, in_use=(wrong,))
    told = cautions(decision)
    assert {"course-on-hold", "course-differs"} <= set(told)
    assert not {each for each in told if each.startswith("course-beside")}


def test_the_words_of_a_course_that_waits_name_its_order() -> None:
    decision = convulsions(YES)
    one = course(decision.plan, "amoxicillin")
    assert one.held is not None
    assert one.held.origins == (Origin("MedicationRequest/amoxicillin"),)


def dry(
    doses: int, hours: int, *, urine: Answer | None = NO, referral: Answer = NO, by: str = "order"
) -> Decision:
    """Gentamicin of which `doses` were given, the last so many hours ago; sunken eyes."""
    last = AT - timedelta(hours=hours)
    times = [last - DAY * back for back in range(doses - 1, -1, -1)]
    more = [found("diarrhoea", YES), found("sunken-eyes", YES), found(REFERRAL, referral)]
    more += [] if urine is None else [found("little-urine", urine)]
    use = (order("gentamicin", times[0] if times else AT),) if by == "order" else ()
    known = follow_up(times[0] if times else AT - DAY, *more, in_use=use)
    told = {each.code for each in more}  # type: ignore[attr-defined]
    kept = [each for each in known.findings if each.code not in told]
    given = tuple(dose("gentamicin", at) for at in times)
    return made(replace(known, findings=(*kept, *more), given=given))


@pytest.mark.parametrize("by", ["order", "record"])
@pytest.mark.parametrize("doses", [1, 2, 6])
def test_with_little_urine_the_second_dose_and_every_later_one_is_held_and_referred(
    doses: int, by: str
) -> None:
    # Section 5: before dose 2: urine passed in the last 12 h, else hold and refer.
    decision = dry(doses, 24, urine=YES, by=by)
    assert "gentamicin" not in ordered_medicines(decision, "here")
    assert "within the last 12 hours. Hold it and refer." in words(decision, "no-dose-little-urine")
    assert decision.plan.referral is not None
    reasons = [str(render(PROTOCOL, each)) for each in decision.plan.referral.reasons]
    assert "A medicine that is due cannot be given: Passing little urine" in reasons
    everything = " ".join(str(render(PROTOCOL, each.message)) for each in decision.plan.cautions)
    assert "first dose without delay" not in everything
    if by == "order":
        one = course(decision.plan, "gentamicin")
        assert (one.state, one.next_due) == ("hold", None)
        assert str(render(PROTOCOL, title(one))) == "Hold, and refer: Gentamicin. No dose now."


@pytest.mark.parametrize("urine", [NO, None])
def test_with_urine_passed_or_not_asked_a_later_dose_goes_on_with_its_condition(
    urine: Answer | None,
) -> None:
    decision = dry(2, 24, urine=urine)
    assert course(decision.plan, "gentamicin").state == "continue"
    said = words(decision, "urine-before-each-dose")
    assert "Before each dose the baby must have passed urine within the last 12 hours" in said
    assert "kidney-or-little-urine" not in cautions(decision)
    # What nobody said is not absent: it is asked for, and the plan is not whole without it.
    asked = [each for each in decision.plan.missing if each.code == "little-urine"]
    assert [each.required for each in asked] == ([True] if urine is None else [])


@pytest.mark.parametrize(("doses", "hours"), [(0, 0), (2, 12)])
def test_urine_is_not_asked_for_where_no_later_dose_is_due_now(doses: int, hours: int) -> None:
    decision = dry(doses, hours, urine=None)
    assert "little-urine" not in [each.code for each in decision.plan.missing]


def test_a_dose_that_is_not_due_yet_is_not_held() -> None:
    decision = dry(2, 12, urine=YES)
    assert course(decision.plan, "gentamicin").state == "continue"
    assert decision.plan.referral is None
    assert "urine-before-each-dose" in cautions(decision)


def test_the_first_dose_is_given_without_delay() -> None:
    decision = dry(0, 0, urine=YES)
    assert "no-dose-little-urine" not in cautions(decision)
    assert "first dose without delay" in words(decision, "kidney-or-little-urine")


def test_a_course_of_which_every_dose_was_given_is_not_referred_for_urine() -> None:
    decision = dry(7, 24, urine=YES)
    assert decision.plan.referral is None
    assert "no-dose-little-urine" not in cautions(decision)


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (2, "on Wednesday 6 May 2026 must take place, 3 days after the treatment began"),
        (4, "that is today, at this visit"),
        (6, "had to take place on Saturday 2 May 2026. If it did not, it is done today."),
    ],
)
def test_the_review_of_day_four_is_told_by_its_date(day: int, said: str) -> None:
    # Section 3: gentamicin 2 d, day-4 review then mandatory; day 4 is the visit date + 3.
    times = slots("gentamicin", day)[:2]
    use = order("gentamicin", times[0], days=2)
    given = tuple(dose("gentamicin", at) for at in times)
    known = follow_up(times[0], given=given, in_use=(use,))
    kept = [each for each in known.findings if each.code != "seven-injections-possible"]
    few = found("seven-injections-possible", NO)
    decision = made(replace(known, findings=(*kept, few)))
    assert said in words(decision, "day-four-review-is-mandatory")
