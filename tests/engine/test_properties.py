"""What must be true of every decision, whatever is sent (derived, unless a source is named)."""

import hashlib
import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import pytest
from hypothesis import assume
from hypothesis import strategies as st

from cds_service.case import Answer, Case
from cds_service.content.load import load
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.cases import FURTHER, every_case
from tests.engine.infants import ASKED, DANGER, complete_infants, for_every, infants, with_finding
from tests.engine.told import BACTERIAL, bacterial, undecided, words

PROTOCOL = load()
SEVERE_CLASSES = set(BACTERIAL[:3])
NO_ILLNESS = "infection-unlikely"
ANSWERED_BY = {  # section 1: feeding-well and moves-on-own answer two questions each
    "unable-to-feed": "feeding-well",
    "feeding-poorly": "feeding-well",
    "no-movement": "moves-on-own",
    "moves-only-when-stimulated": "moves-on-own",
}
STATUS = {0: "success", 1: "data-requested", 2: "data-required"}


def everything(thing: Any, seen: set[int] | None = None) -> Iterator[Any]:
    """Every value inside a decision, its content included, each object once."""
    seen = set() if seen is None else seen
    if id(thing) in seen:
        return
    seen.add(id(thing))
    yield thing
    if is_dataclass(thing):
        inside: Any = [getattr(thing, field.name) for field in fields(thing)]
    elif isinstance(thing, dict):
        inside = [*thing, *thing.values()]
    elif isinstance(thing, tuple | list | set | frozenset):
        inside = thing
    else:
        return
    for one in inside:
        yield from everything(one, seen)


@for_every(infants())
def test_no_float_anywhere_in_a_decision(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    own = replace(decision, protocol=None)  # type: ignore[arg-type]
    assert not [one for one in everything(own) if isinstance(one, float)]


def test_no_float_anywhere_in_the_content() -> None:
    assert not [one for one in everything(PROTOCOL) if isinstance(one, float)]


@for_every(infants(), st.randoms(use_true_random=False))
def test_the_order_of_what_was_sent_changes_nothing(case: Case, rng: random.Random) -> None:
    mixed = replace(
        case,
        findings=tuple(rng.sample(case.findings, len(case.findings))),
        measurements=tuple(rng.sample(case.measurements, len(case.measurements))),
        given=tuple(rng.sample(case.given, len(case.given))),
    )
    one, other = decide(case, PROTOCOL), decide(mixed, PROTOCOL)
    assert one.plan == other.plan
    assert one.assessment == other.assessment
    assert one.id == other.id


@for_every(infants())
def test_the_unit_of_a_weight_changes_nothing(case: Case) -> None:
    grams = replace(
        case,
        measurements=tuple(
            replace(one, quantity=Quantity.of(one.quantity.value * 1000, "g").to("kg"))
            if one.quantity.unit == "kg"
            else one
            for one in case.measurements
        ),
    )
    assert decide(grams, PROTOCOL).plan == decide(case, PROTOCOL).plan


@for_every(infants(), st.sampled_from(ASKED), st.sampled_from((Answer.YES, Answer.NO)))
def test_an_answer_to_an_open_question_never_reverses_a_decided_row(
    case: Case, code: str, answer: Answer
) -> None:
    """A sign that counts only when YES may turn a NO row; rows below a class are not judged.

    A question that another answer settles ("feeds as before") is not open: there an explicit
    danger sign is a contradiction, and acts (clinical content, section 1).
    """
    case = replace(case, findings=tuple(one for one in case.findings if one.code != code))
    settled = ANSWERED_BY.get(code)
    known = {one.code for one in case.findings if one.answer is Answer.YES}
    assume(settled not in known)
    before = _rows(decide(case, PROTOCOL))
    after = _rows(decide(with_finding(case, code, answer), PROTOCOL))
    counts_only_when_yes = code in {*FURTHER, "umbilical-redness-spreading", "severe-pustules"}
    for row, was in before.items():
        if was is Answer.YES:
            assert after.get(row, Answer.YES) is Answer.YES, row
        if was is Answer.NO and not (counts_only_when_yes and answer is Answer.YES):
            assert after.get(row, Answer.NO) is not Answer.YES, row


def _rows(decision: Decision) -> dict[str, Answer]:
    rows = decision.assessment.rows
    return {one.row.code: one.answer for one in rows if one.row.code != NO_ILLNESS}


@for_every(infants(), st.sampled_from(DANGER))
def test_one_more_danger_sign_never_means_less(case: Case, code: str) -> None:
    before, after = decide(case, PROTOCOL), decide(with_finding(case, code, Answer.YES), PROTOCOL)
    ranks = {code: rank for rank, code in enumerate((*BACTERIAL, "undecided"))}
    assert ranks[bacterial(after)] <= ranks[bacterial(before)]
    assert bacterial(after) in BACTERIAL[:2]
    assert after.plan.referral is not None
    assert after.plan.referral.urgent
    assert {one.key for one in after.plan.emergency} >= {one.key for one in before.plan.emergency}


@for_every(infants())
def test_at_most_one_bacterial_class_and_each_class_once(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    codes = Counter(held.code for held in decision.assessment.classes)
    assert sum(codes[code] for code in BACTERIAL) <= 1
    assert max(codes.values(), default=1) == 1


@for_every(complete_infants())
def test_exactly_one_bacterial_class_when_everything_required_is_known(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    assert bacterial(decision) in BACTERIAL
    assert undecided(decision) == []


@for_every(infants())
def test_either_one_class_or_a_named_open_row(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if bacterial(decision) == "undecided":
        assert undecided(decision)
        assert decision.plan.status == "data-required"


@for_every(infants())
def test_nothing_found_is_never_said_while_a_row_above_is_open(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    for held in decision.assessment.classes:
        assert not (held.code == NO_ILLNESS and held.open_above)


@for_every(infants())
def test_an_urgent_referral_whenever_a_severe_class_holds(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if bacterial(decision) in SEVERE_CLASSES:
        assert decision.plan.referral is not None
        assert decision.plan.referral.urgent
        assert decision.plan.choice != ""


@for_every(infants())
def test_the_choice_follows_what_was_said_of_referral(case: Case) -> None:
    plan = decide(case, PROTOCOL).plan
    possible = {one.answer for one in case.findings if one.code == "referral-possible"}
    if plan.choice == "refer":
        assert Answer.YES in possible
    if plan.choice == "here":
        assert Answer.NO in possible


@for_every(infants())
def test_the_status_follows_from_what_is_missing(case: Case) -> None:
    """Design, decision 3: data-required, data-requested, success."""
    plan = decide(case, PROTOCOL).plan
    needed = max((2 if missing.required else 1 for missing in plan.missing), default=0)
    left_out = {"not-judged", "not-used", "course-running"}
    if any(one.severity == "high" and one.code in left_out for one in plan.cautions):
        needed = max(needed, 1)  # what was recorded and not used is never a success (derived)
    assert plan.status == STATUS[needed]


@for_every(infants())
def test_an_open_row_above_makes_data_required(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if undecided(decision):
        assert decision.plan.status == "data-required"
        assert any(missing.required for missing in decision.plan.missing)


@for_every(infants())
def test_every_severe_class_open_above_is_said_in_the_plan(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    if not undecided(decision):
        return
    if bacterial(decision) != "undecided":
        assert "finish-the-assessment" in {one.code for one in decision.plan.cautions}
    said = {one.key for one in decision.plan.summary}
    if decision.plan.referral is not None:
        assert "summary.undecided-meanwhile" in said
    else:
        assert said & {"summary.undecided", "summary.no-class"}


@for_every(infants())
def test_an_urgent_referral_is_told_first_and_waits_for_nothing(case: Case) -> None:
    """Section 3: "a weight that is missing never delays the referral" (derived)."""
    decision = decide(case, PROTOCOL)
    if decision.plan.referral is None:
        return
    said = [one.key for one in decision.plan.summary]
    first = [key for key in said if key not in ("summary.emergency", "summary.class")]
    assert first[0].startswith(("summary.choice.refer", "summary.choice.here"))
    assert "finish the assessment" not in words(decision).lower()


@for_every(infants())
def test_one_first_day_to_come_back_in_each_branch(case: Case) -> None:
    plan = decide(case, PROTOCOL).plan
    for branch in {visit.branch for visit in plan.follow_ups}:
        visits = [visit for visit in plan.follow_ups if visit.branch == branch]
        # "Several follow-ups: the earliest definite day is the one to give" (ETH seen).
        definite = [visit.on for visit in visits if visit.definite]
        first = [visit.on for visit in visits if visit.first]
        assert first == ([min(definite)] if definite else [])


@for_every(infants())
def test_every_word_of_the_plan_can_be_printed_with_all_its_values(case: Case) -> None:
    decision = decide(case, PROTOCOL)
    for message in {one for one in everything(decision.plan) if type(one).__name__ == "Message"}:
        text = render(PROTOCOL, message)
        assert text.strip()
        assert "{" not in text.replace("{tbl}", "")


@for_every(infants())
def test_the_same_question_has_the_same_answer(case: Case) -> None:
    assert decide(case, PROTOCOL) == decide(case, PROTOCOL)


SCRIPT = "from tests.engine.test_properties import fingerprint; print(fingerprint())"


def fingerprint() -> str:
    """One hash over the decisions of every written case."""
    digest = hashlib.sha256()
    for told in every_case():
        decision = decide(told.case, PROTOCOL)
        digest.update(repr((decision.id, decision.assessment, decision.plan)).encode())
    return digest.hexdigest()


@pytest.mark.parametrize("seed", ["0", "4242"])
def test_another_process_with_another_hash_seed_decides_the_same(
    seed: str, pytestconfig: pytest.Config
) -> None:
    environment = {**os.environ, "PYTHONHASHSEED": seed}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=pytestconfig.rootpath,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == fingerprint()
