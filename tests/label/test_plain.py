"""The plan in plain words: what a nurse reads in a terminal."""

import pytest

from cds_service.case import Age, Answer, Origin
from cds_service.content.model import Message
from cds_service.engine import decide
from cds_service.engine.assessment_model import Missing
from cds_service.label.plain import WIDTH, plain
from tests.catalogues import marked, with_language
from tests.changing import replace
from tests.engine.cases import Told, every_case, read
from tests.fhir.decisions import (
    amoxicillin,
    assessment,
    care,
    case,
    caution,
    decision,
    fever,
    finding,
    gentamicin,
    held,
    nothing,
    plan,
    protocol,
    referral,
    severe,
    undecided,
    visit,
)

CASES = list(every_case())


def flat(text: str) -> str:
    """The text as one line, so that line breaks do not matter."""
    return " ".join(text.split())


def order(text: str, *parts: str) -> bool:
    """Whether the parts come one after the other."""
    places = [flat(text).index(part) for part in parts]
    return places == sorted(places)


def test_it_begins_by_saying_who_decides() -> None:
    first = flat(plain(nothing()))
    assert first.startswith("Proposal for a licensed health worker, who decides.")
    assert "The national protocol prevails." in first


@pytest.mark.parametrize("told", CASES, ids=[told.name for told in CASES])
def test_the_plan_of_a_case_fits_the_terminal(told: Told) -> None:
    text = plain(decide(told.case, protocol()))
    assert max(map(len, text.splitlines())) <= WIDTH
    assert "{" not in text
    assert "\n\n\n" not in text
    assert text.endswith("\n")


@pytest.mark.parametrize("told", CASES, ids=[told.name for told in CASES])
def test_every_caution_and_every_dose_of_a_case_is_told(told: Told) -> None:
    made = decide(told.case, protocol())
    text = flat(plain(made))
    assert text.count("Sources of the dose") == len(made.plan.orders)
    assert text.count("Come back ") >= len(made.plan.follow_ups)


def test_the_same_decision_gives_the_same_text() -> None:
    assert plain(severe()) == plain(severe())


def test_emergency_actions_come_before_everything_else() -> None:
    planned = plan(emergency=(care("nothing-by-mouth", emergency=True),), orders=(amoxicillin(),))
    made = decision(assessment(held("pneumonia", fever())), planned)
    assert order(plain(made), "DO FIRST", "Nothing by mouth", "CLASSIFICATION", "TREAT HERE")


def test_a_class_is_told_with_its_reasons_and_sources() -> None:
    text = plain(severe())
    assert order(
        text, "Clinical severe infection (P20, A24; words seen)", "Temperature at least 38"
    )
    assert "SOURCES P20 Guenther et al." in flat(text)


def test_a_class_in_which_nothing_was_found_says_what_was_asked() -> None:
    no = (finding("convulsions", Answer.NO), finding("umbilicus-red", Answer.NO))
    text = flat(plain(decision(assessment(held("infection-unlikely", *no)))))
    assert "Asked and not found: Convulsions in this illness; Umbilicus red." in text


def test_what_is_undecided_and_missing_is_told_with_the_reason() -> None:
    text = plain(undecided())
    assert order(
        text,
        "Still undecided above it: Clinical severe infection",
        "STILL NEEDED",
        "Not decided yet: Clinical severe infection",
        "Not feeding well",
        "Temperature; needed to confirm",
        "Age; the exact age is needed",
    )


def test_no_class_at_all_is_said() -> None:
    assert "Nothing can be classified yet." in plain(nothing())


def test_a_medicine_is_told_from_amount_to_handing_out() -> None:
    made = decision(planned=plan(orders=(amoxicillin(instructions=(Message("give.oral"),)),)))
    # 125 mg / 3.4 kg = 36.8; x 2 = 73.5 (derived); seven tablets: common practice, no source
    assert order(
        plain(made),
        "Amoxicillin dispersible tablet",
        "Give half a tablet = 125 mg (250 mg in 1 tablet) by mouth,",
        "twice a day for 7 days: 14 doses.",
        "First dose due: Wednesday 4 March 2026, 09:30.",
        "125 mg: 36.8 mg/kg per dose, 73.5 mg/kg per day, for a weight of 3.4 kg.",
        "Hand out for all of it: 7 tablets.",
        "inside the cheek",
        "Sources of the dose: CB19; from memory. Sources of the course: P20, A24; words seen.",
    )


def test_a_single_dose_is_told_once() -> None:
    text = flat(plain(decision(planned=plan(choice="refer", orders=(gentamicin("refer"),)))))
    assert "2.5 mL = 25 mg (80 mg in 8 mL) by injection into the muscle, one single dose." in text
    assert "Due: Wednesday 4 March 2026, 09:30." in text
    assert "Open for all of it: 1 vial." in text


def test_an_alternative_says_what_it_replaces() -> None:
    other = gentamicin(key="here.other", instead_of="here.amoxicillin")
    text = flat(plain(decision(planned=plan(orders=(amoxicillin(), other)))))
    assert "Instead of Amoxicillin: give exactly one of the two." in text


def test_a_choice_is_told_as_a_and_b() -> None:
    assert order(plain(severe()), "CHOOSE ONE: A or B", "A. REFER", "B. TREAT HERE")


def test_where_referral_is_the_only_option_the_rest_is_told_as_interim() -> None:
    assert order(
        plain(severe("refer-then-here")),
        "REFER",
        "Referral is the only safe course",
        "ONLY IF REFERRAL IS REFUSED OR IMPOSSIBLE",
    )


def test_a_referral_that_is_not_possible_is_still_told() -> None:
    # Design: it is still written; what it says does not contradict what was recorded.
    text = plain(severe("here"))
    assert order(
        text,
        "REFER AS SOON AS IT BECOMES POSSIBLE",
        "Referral was recorded as not possible. Refer urgently as soon as it becomes possible",
        "TREAT HERE",
    )
    assert "Refer urgently to hospital" not in flat(text)


def test_a_referral_that_is_not_possible_and_the_only_course_says_both() -> None:
    planned = plan(choice="here", referral=referral(only=True, possible=False))
    text = flat(plain(decision(planned=planned)))
    assert "Referral was recorded as not possible, but it is the only safe course." in text
    assert "until then the care here is interim" in text
    assert "Referral is the only safe course." not in text


def test_a_referral_that_is_not_urgent_is_told_as_such() -> None:
    planned = plan(choice="refer", referral=referral(urgent=False))
    assert "Refer for assessment (" in flat(plain(decision(planned=planned)))


def test_the_earliest_visit_comes_first() -> None:
    visits = (visit("review", 7), visit("review", 3))
    text = plain(decision(planned=plan(follow_ups=visits)))
    assert order(text, "Come back on Saturday 7 March 2026.", "Come back on Wednesday 11 March")


def test_daily_visits_are_told_with_first_and_last_day() -> None:
    text = flat(plain(decision(planned=plan(follow_ups=(visit("next-injection", 1, until=6),)))))
    assert "Come back every day from Thursday 5 March 2026 until Tuesday 10 March 2026." in text


def test_a_grave_caution_stands_out_and_says_what_to_do() -> None:
    action = Message("slip.grams")
    cautions = (caution("preliminary", "high", action=action), caution("no-time", "low"))
    text = plain(decision(planned=plan(cautions=cautions)))
    assert '  ! "Convulsions in this illness" is a preliminary record' in text
    assert "It may be in grams." in flat(text)
    assert '  - "Convulsions in this illness" was recorded without a time' in text


def test_what_was_not_recorded_is_listed_last_before_the_sources() -> None:
    text = plain(severe())
    assert order(text, "TELL THE CAREGIVER", "NOT RECORDED", "Oxygen saturation", "SOURCES")


def test_age_is_told_in_days_as_far_as_it_is_known() -> None:
    assert "Age 1 day." in plain(decision(case=case(age=Age(1, 1))))
    assert "Age 5 to 8 days." in plain(decision(case=case(age=Age(5, 8))))
    assert "Age" not in plain(decision(case=replace(case(), age=None)))


@pytest.mark.parametrize("choice", ["refer", "here", "refer-then-here", "refer-or-here"])
def test_nothing_that_can_wait_stands_before_an_urgent_referral(choice: str) -> None:
    # Section 3: "a weight that is missing never delays the referral" (derived).
    weight = Missing("measure", "weight", Message("missing.weight"), required=True)
    planned = plan(choice=choice, referral=referral(), care=(care("keep-warm"),), missing=(weight,))
    text = plain(decision(planned=planned))
    assert order(text, "Refer urgently to hospital", "STILL NEEDED", "Find out: Weight;")
    assert order(text, "STILL NEEDED", "IN EVERY CASE", "Keep the baby warm")


def test_care_for_every_branch_is_told_on_its_own() -> None:
    planned = plan(care=(care("keep-warm"), care("breathe-for-the-baby", "here")))
    assert order(
        plain(decision(planned=planned)), "IN EVERY CASE", "Keep the baby warm", "TREAT HERE"
    )


def told(**written: object) -> str:
    """What is printed for a case as a clinician writes it."""
    infant = {"age": "10 d", "weight": "3.4 kg", "gestation": "39 wk", "temperature": "36.8 Cel"}
    infant |= {"breaths": ["48"]} | written.pop("infant", {})  # type: ignore[operator]
    case = {"case": "told", "source": "", "infant": infant, "expect": {}}
    return plain(decide(read(case | written).case, protocol()))


def test_fluids_that_are_due_within_the_hour_stand_before_the_medicines() -> None:
    # Section 3: rehydrate at once; the antibiotics together with it (CB14 memory).
    dry = {"signs": ["diarrhoea", "sunken-eyes", "skin-pinch-very-slow"], "temperature": "38.5 Cel"}
    text = told(infant=dry, **{"referral possible": False})
    assert order(text, "TREAT HERE", "Ringer's lactate, into a vein", "Gentamicin vial", "Hand out")


def test_fluids_after_each_stool_stand_after_the_medicines() -> None:
    text = told(infant={"signs": ["diarrhoea"], "breaths": ["64", "62"]})
    assert order(text, "TREAT HERE", "Amoxicillin dispersible", "ORS (oral rehydration salts")


def test_a_referral_for_assessment_stands_under_its_own_heading() -> None:
    # Section 2: jaundice older than 14 days, refer for assessment (seen).
    text = told(infant={"age": "15 d", "signs": ["jaundice"]})
    assert order(text, "it is not an emergency", "REFER FOR ASSESSMENT", "- Jaundice", "TREAT HERE")


def test_a_baby_with_low_blood_sugar_is_referred_where_all_can_see_it() -> None:
    # Section 3: low blood sugar, before referral (CB14 memory).
    text = told(infant={"glucose": "2.0 mmol/L"}, **{"referral possible": True})
    reason = "Emergency sign: Blood glucose below 2.5 mmol/L (recorded: 2 mmol/L)"
    assert order(text, "DO FIRST", "Low blood sugar: give glucose", "REFER", reason)


def test_a_weight_in_pounds_is_told_to_the_gram() -> None:
    # 8 lb = 3.62873896 kg by the definition of the pound (NIST Handbook 44, from memory).
    text = flat(told(infant={"weight": "8 [lb_av]", "breaths": ["64", "62"]}))
    assert "for a weight of 3.628 kg" in text
    assert "3.62873896" not in text


def test_a_temperature_is_never_to_be_counted_again() -> None:
    # Section 1: a rectal value never rules the sign out; the armpit does.
    text = flat(told(infant={"temperature": "37.0 Cel rectal"}))
    assert "Temperature; measure it in the armpit, to confirm or rule out" in text
    assert "count again" not in text


def test_nystatin_is_not_told_per_kilogram() -> None:
    text = flat(told(infant={"signs": ["oral-thrush"]}))
    assert "Each dose contains 100000 IU. The amount does not depend on the weight." in text
    assert "IU/kg" not in text


def test_the_same_words_are_printed_once() -> None:
    same = caution("preliminary", "high")
    other = replace(same, origins=(Origin("Observation/2"),))
    text = plain(decision(planned=plan(cautions=(same, other))))
    assert flat(text).count("is a preliminary record") == 1


def test_nobody_is_named() -> None:
    assert "asha" not in plain(severe())


def test_the_caregivers_sentences_follow_in_another_language() -> None:
    given = amoxicillin(instructions=(Message("give.oral"), Message("first-dose-here")))
    planned = plan(
        orders=(given,),
        counselling=(Message("care.return-at-once"),),
        follow_ups=(visit("review", 1),),
    )
    made = decision(planned=planned)
    words = with_language(made.protocol, "xh", marked("xa"))
    text = flat(plain(replace(made, protocol=words), "xh"))
    assert "IN THE LANGUAGE xh" in text
    assert order(text, "- xa amoxicillin", "- xa Give it inside the cheek", "- xa Come back at")
    assert text.count("Draft translation, have it reviewed.") == 2
    reviewed = with_language(made.protocol, "xh", marked("xa"), reviewed="Orla Fenn, Mvumo")
    assert "Draft" not in plain(replace(made, protocol=reviewed), "xh")
    assert "IN THE LANGUAGE" not in plain(made)
