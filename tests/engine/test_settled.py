"""Which of the facts that were sent count, and what is said of the others.

DEVELOPERS.md, "How the clinical text was read"; clinical content, section 1 (an inner temperature
shows the sign and never rules it out; what feels hot or cold counts only without a thermometer).
"""

from datetime import timedelta

import pytest

from cds_service.case import Age, Refusal
from cds_service.content.model import FindingTest
from cds_service.engine.assess import assess
from cds_service.engine.settle import settle
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
from tests.engine.test_left_out import cautions, healthy, made, refused

EARLIER = AT - timedelta(minutes=20)


@pytest.mark.parametrize("then", [YES, NO])
def test_of_two_answers_the_latest_counts_and_that_is_said(then: object) -> None:
    now = NO if then is YES else YES
    known = facts(found("referral-possible", then, EARLIER), found("referral-possible", now))
    assert known.answer("referral-possible") is now
    told = [(one.code, one.severity, len(one.origins)) for one in known.cautions]
    assert told == [("latest-answer-used", "low", 1)]
    both = (found("referral-possible", then, EARLIER), found("referral-possible", now))
    assert cautions(made(healthy(*both)))["latest-answer-used"] == "low"


@pytest.mark.parametrize(
    ("site", "answer"), [("axillary", NO), (None, NO), ("rectal", YES), ("oral", YES)]
)
@pytest.mark.parametrize("sign", ["feels-hot", "feels-cold"])
def test_what_is_felt_counts_until_an_armpit_is_measured(
    sign: str, site: str | None, answer: object
) -> None:
    known = facts(found(sign, YES), measured("temperature", "37", "Cel", site=site))
    assert known.answer(sign) is answer
    told = {one.code: one.severity for one in known.cautions}
    assert told.get("measured-instead") == ("low" if answer is NO else None)


@pytest.mark.parametrize(
    ("reason", "severity"), [("finding-unknown", "high"), ("comparator", "moderate")]
)
def test_what_nobody_can_name_is_graver_than_a_value_that_cannot_be_used(
    reason: str, severity: str
) -> None:
    refusal = Refusal(reason, refused("x").origin, (("measure", "weight"), ("code", "x")))
    known = settle(replace(case(), refusals=(refusal,)), PROTOCOL)
    (told,) = [one for one in assess(known).cautions if one.origins == (refusal.origin,)]
    assert told.severity == severity


@pytest.mark.parametrize(("answer", "judged"), [(UNKNOWN, False), (NO, False), (YES, True)])
def test_a_table_whose_gate_is_a_further_sign_is_for_those_who_have_it(
    answer: object, judged: bool
) -> None:
    # As rows are read (section 1): the further signs count only when they are present.
    gate = FindingTest("apnoea", YES, CITE)
    tables = tuple(
        replace(each, when=gate) if each.code == "dehydration" else each for each in PROTOCOL.tables
    )
    known = case(*(healthy().findings), found("apnoea", answer))
    held = assess(settle(known, replace(PROTOCOL, tables=tables)))
    assert bool([row for row in held.rows if row.table == "dehydration"]) is judged


def test_a_later_value_is_told_only_where_it_differs_and_is_one() -> None:
    warm = measured("temperature", "37.4", "Cel", EARLIER)
    same = facts(warm, measured("temperature", "37.4", "Cel"))
    assert same.cautions == []
    now = [measured("temperature", value, "Cel") for value in ("37", "37.2")]
    assert [one.code for one in facts(warm, *now).cautions] == ["values-differ"]


@pytest.mark.parametrize(
    ("age", "hours"),
    [
        # Days are differences of dates: two of them are more than 24 hours and less than 72.
        (Age(0, 0), (0, 24)),
        (Age(1, 1), (0, 48)),
        (Age(2, 2), (24, 72)),
        (Age(3, 5), (48, 144)),
        (Age(1, 1, hours=(25, 26)), (25, 26)),
    ],
)
def test_an_age_in_days_is_a_span_of_hours(age: Age, hours: tuple[int, int]) -> None:
    assert settle(replace(case(), age=age), PROTOCOL).hours_span() == hours
