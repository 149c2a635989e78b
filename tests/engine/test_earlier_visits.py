"""What an earlier visit left: new signs, old answers, and a class whose day is not known.

Clinical content, section 3: any new or worse severe sign at a follow-up visit means failure
(W15, memory).
"""

from datetime import date, timedelta

import pytest

from cds_service.case import Case, EarlierClass, Finding, Measurement, Origin
from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.engine.assess import assess
from cds_service.engine.phrase import adapted
from cds_service.engine.settle import settle
from cds_service.engine.situation import situate
from cds_service.engine.weight import dosing_weight
from tests.changing import replace
from tests.engine.test_edges import AT, NO, PROTOCOL, UNKNOWN, YES, case, found, measured
from tests.engine.test_left_out import SOUND, WELL

DAY, MINUTES = timedelta(days=1), timedelta(minutes=10)
SEVERE = EarlierClass("clinical-severe-infection", AT - 2 * DAY, Origin("Condition/severe"))
CRITICAL = EarlierClass("critical-illness", None, Origin("Condition/critical"))


def followed(*more: Finding | Measurement, earlier: tuple[EarlierClass, ...] = (SEVERE,)) -> Case:
    known = case(*WELL, *SOUND, measured("weight", "3.4", "kg"), *more)
    return replace(known, earlier=earlier)


def fever(now: str, then: str) -> Case:
    sick = [one for one in SOUND if one.kind != "temperature"]
    hot = measured("temperature", now, "Cel")
    before = measured("temperature", then, "Cel", AT - 2 * DAY)
    known = case(*WELL, *sick, hot, before, measured("weight", "3.4", "kg"))
    return replace(known, earlier=(SEVERE,))


@pytest.mark.parametrize(
    ("now", "then", "new"),
    [
        ("38.0", "37.9", True),  # fever from 38.0: A24, P20 (seen)
        ("38.0", "38.0", False),
        ("37.9", "37.0", False),
        ("35.4", "37.0", True),  # below 35.5: A24 (seen)
        ("35.5", "37.0", False),
    ],
)
def test_a_measured_sign_is_new_when_it_was_absent_before(now: str, then: str, new: bool) -> None:
    known = fever(now, then)
    facts = settle(known, PROTOCOL)
    assess(facts)
    assert (facts.classes.get("new.clinical-severe-infection") is YES) is new
    failed = decide(known, PROTOCOL).assessment.holds("severe-infection-failure")
    assert failed is new


def test_a_sign_that_was_measured_before_and_not_today_is_not_new() -> None:
    unmeasured = [one for one in SOUND if one.kind != "temperature"]
    cool = measured("temperature", "37.0", "Cel", AT - 2 * DAY)
    known = case(*WELL, *unmeasured, cool, measured("weight", "3.4", "kg"))
    facts = settle(replace(known, earlier=(SEVERE,)), PROTOCOL)
    assess(facts)
    assert "new.clinical-severe-infection" not in facts.classes


def test_what_was_not_assessed_at_an_earlier_visit_says_nothing_of_new_signs() -> None:
    then, sign = AT - 2 * DAY, "severe-chest-indrawing"
    for answer, new in ((UNKNOWN, False), (NO, True)):
        signs = [one for one in WELL if one.code != sign]
        known = case(*signs, found(sign, YES), found(sign, answer, then), *SOUND)
        facts = settle(replace(known, earlier=(SEVERE,)), PROTOCOL)
        assess(facts)
        assert (facts.classes.get("new.clinical-severe-infection") is YES) is new
        assert (sign in facts.before) is new


def test_the_day_of_a_treatment_is_that_of_its_own_class() -> None:
    known = followed(found("course-better", YES), earlier=(SEVERE, CRITICAL))
    facts = settle(known, PROTOCOL)
    weight = dosing_weight(facts)
    situation = situate(facts, assess(facts), weight)
    since = {item.plan.code: item.since for item in situation.managed}
    assert since["clinical-severe-infection"] == date(2026, 5, 2)
    assert since["critical-illness"] is None


def test_a_course_is_not_judged_while_nobody_knows_what_else_is_there() -> None:
    # Section 3, pneumonia at day 3: the same, if no sign of a severe infection is there. Without
    # an age no table of today is read, so that is not known.
    pneumonia = EarlierClass("pneumonia", AT - 2 * DAY, Origin("Condition/pneumonia"))
    answers = {"course-better": NO, "course-same": YES, "course-worse": NO}
    fast = [one for one in SOUND if one.kind != "respiratory-rate"]
    fast += [measured("respiratory-rate", rate, "/min", AT - MINUTES * i)
             for i, rate in enumerate(("64", "62"))]  # fmt: skip
    signs = [found(code, answer) for code, answer in answers.items()]
    known = case(*WELL, *signs, *fast, measured("weight", "3.4", "kg"))
    known = replace(known, earlier=(pneumonia,))
    judged = {"pneumonia-better", "pneumonia-same", "pneumonia-failure"}
    assert judged & {held.code for held in decide(known, PROTOCOL).assessment.classes}
    ageless = decide(replace(known, age=None), PROTOCOL)
    assert not judged & {held.code for held in ageless.assessment.classes}


def test_an_adaptation_is_named_with_the_answer() -> None:
    (told,) = adapted(load(adaptation="kestria"))
    assert told.key == "write.adaptation"
    assert adapted(PROTOCOL) == ()
