"""Every class names the facts that decided it, with what was measured (design, Assessment).

The limits are those of the clinical content, section 1 (A24, P20 seen).
"""

from datetime import timedelta
from decimal import Decimal

import pytest

from cds_service.case import Age, Answer, Case, Origin
from cds_service.content.model import FindingTest, Group, MeasureTest, Number
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.identity import decision_id
from cds_service.engine.trace import reasons
from tests.changing import replace
from tests.engine.test_edges import (
    AT,
    CITE,
    NO,
    PROTOCOL,
    UNKNOWN,
    YES,
    case,
    facts,
    found,
    measured,
)


def why(known: Case, code: str) -> list[tuple[str, str, Answer, tuple[Origin, ...]]]:
    (held,) = [each for each in decide(known, PROTOCOL).assessment.classes if each.code == code]
    return [(t.fact, render(PROTOCOL, t.what), t.answer, t.origins) for t in held.tests]


def test_a_sign_that_is_there_is_the_reason_and_nothing_else() -> None:
    known = case(found("convulsions", YES), found("unable-to-feed", NO))
    ((fact, _, answer, origins),) = why(known, "critical-illness")
    assert (fact, answer, origins) == ("convulsions", YES, (Origin("Observation/convulsions"),))


def test_a_fever_is_told_with_what_was_measured_and_its_limit() -> None:
    known = case(measured("temperature", "38.2", "Cel"))
    ((fact, words, answer, origins),) = why(known, "clinical-severe-infection")
    assert (fact, answer, origins) == ("temperature", YES, (Origin("Observation/temperature"),))
    assert "38.2 °C" in words
    assert "38.0 °C" in words or "38 °C" in words


def test_both_counts_of_fast_breathing_are_told() -> None:
    counts = (("70", 30), ("64", 20), ("62", 10))
    rates = [
        measured("respiratory-rate", value, "/min", AT - timedelta(minutes=ago))
        for value, ago in counts
    ]
    told = {fact: words for fact, words, _, _ in why(case(*rates), "pneumonia")}
    assert set(told) == {"age", "respiratory-rate"}
    assert "(recorded: 64 /min, 62 /min)" in told["respiratory-rate"]


@pytest.mark.parametrize("kind", ["any", "all", "none"])
@pytest.mark.parametrize("answer", [YES, NO, UNKNOWN])
def test_the_reason_of_a_group_is_the_answer_of_its_sign(kind: str, answer: Answer) -> None:
    group = Group(kind, (FindingTest("jaundice", YES, CITE),))
    turned = {YES: NO, NO: YES, UNKNOWN: UNKNOWN}[answer] if kind == "none" else answer
    known = facts(found("jaundice", answer))
    assert [(t.fact, t.answer) for t in reasons(group, known, turned)] == [("jaundice", answer)]
    other = NO if turned is YES else YES
    assert reasons(group, known, other) == ()


def test_what_was_not_measured_is_told_as_not_recorded() -> None:
    test = MeasureTest("temperature", "at-least", Number(Decimal(38), "Cel", CITE), CITE)
    (told,) = reasons(test, facts(), UNKNOWN)
    assert "not recorded" in render(PROTOCOL, told.what)
    assert told.origins == ()


def test_an_age_between_two_hours_is_told_with_both() -> None:
    yellow = replace(case(found("jaundice", YES)), age=Age(0, 1, hours=(20, 30)))
    told = [words for fact, words, _, _ in why(yellow, "severe-jaundice") if fact == "age"]
    assert any("(recorded: 20 hours to 30 hours)" in each for each in told), told


def test_two_cases_that_differ_in_one_time_have_different_ids() -> None:
    one = case(found("convulsions", YES), found("jaundice", NO))
    later = replace(one, findings=(one.findings[0], found("jaundice", NO, AT.replace(minute=1))))
    assert decision_id(one, PROTOCOL) != decision_id(later, PROTOCOL)
    same = replace(one, findings=one.findings[::-1])
    assert decision_id(one, PROTOCOL) == decision_id(same, PROTOCOL)


def test_a_fact_without_a_time_is_not_one_of_the_time_of_another() -> None:
    timed = case(found("convulsions", YES), found("jaundice", NO))
    untimed = case(found("convulsions", YES), found("jaundice", NO, None))
    assert decision_id(timed, PROTOCOL) != decision_id(untimed, PROTOCOL)
