"""What is to be said in the same words of several resources is one caution that names them all.

FHIR R4 DetectedIssue.implicated (0..*): "the resource representing the current activity or proposed
activity that is potentially problematic" (from memory).
"""

from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.model import Caution, Decision
from cds_service.fhir.write import write
from tests.fhir.decisions import BASE
from tests.fhir.judge import judged, resources
from tests.fhir.sending import SERVER, Json, asked, measured, protocol, request, weight

FIRST, SECOND, THIRD = (f"glucose-{number}" for number in (1, 2, 3))


def strange(name: str, unit: str = "g/L") -> Json:
    """A blood glucose in a unit that is not read."""
    return measured(name, "2339-0", 0.45, unit)


def decided(*sent: Json) -> Decision:
    return decide(request(asked(weight(), *sent)).case, protocol())


def not_used(decision: Decision) -> list[Caution]:
    return [each for each in decision.plan.cautions if each.code == "not-used"]


def test_the_same_words_about_three_resources_are_one_caution_with_three_origins() -> None:
    (one,) = not_used(decided(strange(FIRST), strange(SECOND), strange(THIRD)))
    expected = [f"{SERVER}/Observation/{name}" for name in (FIRST, SECOND, THIRD)]
    assert [origin.reference for origin in one.origins] == expected
    assert one.severity == "high"


def test_the_order_in_which_they_are_sent_changes_nothing() -> None:
    forth, back = decided(strange(FIRST), strange(SECOND)), decided(strange(SECOND), strange(FIRST))
    names = [[o.reference for o in each.origins] for each in (*not_used(forth), *not_used(back))]
    assert len(names) == 2
    assert names[0] == names[1]


def test_other_words_are_another_caution() -> None:
    # 40 mmol/L is not used either, for another reason.
    told = not_used(decided(strange(FIRST), measured(SECOND, "2339-0", 40, "mmol/L")))
    assert len({render(protocol(), each.message) for each in told}) == len(told) == 2
    assert [len(each.origins) for each in told] == [1, 1]


def test_one_detected_issue_implicates_them_all() -> None:
    bundle = judged(write(decided(strange(FIRST), strange(SECOND)), base=BASE, language="en"))
    issues = resources(bundle, "DetectedIssue")
    (issue,) = [each for each in issues if each["code"]["coding"][0]["code"] == "not-used"]
    about = [each["reference"] for each in issue["implicated"]]
    assert about == [f"{SERVER}/Observation/{name}" for name in (FIRST, SECOND)]


def test_no_two_issues_of_an_answer_say_the_same() -> None:
    many = [strange(f"glucose-{number}") for number in range(30)]
    bundle = judged(write(decided(*many), base=BASE, language="en"))
    said = [
        (each["code"]["coding"][0]["code"], each["severity"], each["detail"])
        for each in resources(bundle, "DetectedIssue")
    ]
    assert len(set(said)) == len(said)
