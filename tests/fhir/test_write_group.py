"""The RequestGroup: what belongs together, what excludes what (FHIR R4 rqg-1; design, "Out")."""

from typing import Any

from cds_service.content.model import Cite
from cds_service.engine.model import Decision
from cds_service.fhir.write import write
from tests.changing import replace
from tests.fhir.decisions import (
    BASE,
    PRACTICE,
    SEEN,
    amoxicillin,
    care,
    decision,
    gentamicin,
    nothing,
    plan,
    referral,
    severe,
)
from tests.fhir.judge import judged, resources


def top(made: Decision) -> list[dict[str, Any]]:
    """The actions of the RequestGroup."""
    (group,) = resources(judged(write(made, base=BASE, language="")), "RequestGroup")
    return group.get("action", [])


def titles(actions: list[dict[str, Any]]) -> list[str]:
    """What the actions are called."""
    return [action["title"] for action in actions]


def test_referral_or_treatment_here_is_exactly_one_of_two_groups() -> None:
    choice = top(severe())[0]
    assert choice["selectionBehavior"] == "exactly-one"
    assert [group["id"] for group in choice["action"]] == ["refer", "here"]


def test_where_referral_is_the_only_option_care_here_depends_on_it() -> None:
    refer, here, _ = top(severe("refer-then-here"))
    assert refer["id"] == "refer"
    assert here["relatedAction"] == [{"actionId": "refer", "relationship": "after-start"}]
    assert here["title"] == "Only if referral is refused or impossible"


def test_referral_alone_has_nothing_of_the_other_branch() -> None:
    assert [action.get("id") for action in top(severe("refer"))] == ["refer", None]


def test_referral_impossible_keeps_the_referral_beside_the_treatment() -> None:
    refer, here, _ = top(severe("here"))
    assert refer["title"] == "Refer as soon as it becomes possible"
    (title,) = titles(refer["action"])
    assert title.startswith("Referral was recorded as not possible. Refer urgently as soon as")
    assert here["id"] == "here"
    assert "relatedAction" not in here


def test_nothing_that_can_wait_stands_before_an_urgent_referral() -> None:
    # Section 3: "a weight that is missing never delays the referral" (derived).
    planned = plan(choice="refer", referral=referral(), care=(care("find-out-meanwhile"),))
    first, then = top(decision(planned=planned))
    assert first["id"] == "refer"
    assert then["title"].startswith("An urgent referral does not wait")


def test_without_referral_the_actions_stand_alone() -> None:
    made = decision(planned=plan(orders=(amoxicillin(),), care=(care("keep-warm", "here"),)))
    assert all("resource" in action for action in top(made))


def test_a_referral_without_anything_to_do_here_is_one_group() -> None:
    made = decision(planned=plan(choice="refer-then-here", referral=referral(only=True)))
    assert [action["id"] for action in top(made)] == ["refer"]


def test_emergency_actions_come_first_and_at_once() -> None:
    planned = plan(
        choice="refer",
        referral=referral(),
        emergency=(care("nothing-by-mouth", emergency=True),),
        care=(care("keep-warm"),),
    )
    first, second, third = top(decision(planned=planned))
    assert (first["priority"], first["title"][:16]) == ("stat", "Nothing by mouth")
    assert second["id"] == "refer"
    assert third["title"].startswith("Keep the baby warm")


def test_a_medicine_and_its_alternative_are_exactly_one() -> None:
    other = gentamicin(key="here.other", instead_of="here.amoxicillin")
    made = decision(planned=plan(orders=(amoxicillin(), other, gentamicin())))
    either, alone = top(made)
    assert either["selectionBehavior"] == "exactly-one"
    assert len(either["action"]) == 2
    assert "resource" in alone


def test_sources_are_the_documentation_of_each_action() -> None:
    made = decision(planned=plan(orders=(amoxicillin(),)))
    documentation = top(made)[0]["documentation"]
    assert [each["label"] for each in documentation] == ["P20", "A24", "CB19"]
    assert {each["type"] for each in documentation} == {"citation"}
    assert documentation[0]["url"].startswith("https://doi.org/")
    assert "from memory" in documentation[2]["citation"]


def test_a_source_of_both_course_and_dose_is_named_once() -> None:
    order = amoxicillin(cite=SEEN)
    order = replace(order, dose=replace(order.dose, cite=Cite(("P20",), "memory", "re-checked")))
    documentation = top(decision(planned=plan(orders=(order,))))[0]["documentation"]
    assert [each["label"] for each in documentation] == ["P20", "A24"]
    assert documentation[0] == {
        "type": "citation",
        "label": "P20",
        "display": "Guenther et al., PLoS One 2020; 15(4): e0229248",
        "citation": "Public Library of Science, 2020 (words seen; from memory re-checked)",
        "url": "https://doi.org/10.1371/journal.pone.0229248",
    }


def test_a_medicine_is_titled_like_every_other_action() -> None:
    (action,) = top(decision(planned=plan(orders=(amoxicillin(),))))
    assert action["title"] == "Amoxicillin dispersible tablet, 250 mg"


def test_common_practice_is_documented_as_having_no_source() -> None:
    made = decision(planned=plan(referral=None, orders=(amoxicillin(cite=PRACTICE),)))
    assert top(made)[0]["documentation"][0] == {
        "type": "citation",
        "display": "common practice, no source",
    }


def test_nothing_to_do_is_a_group_without_actions() -> None:
    assert top(nothing()) == []
