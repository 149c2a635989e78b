"""OperationOutcome: one issue for each problem."""

from fhir.resources.R4B.operationoutcome import OperationOutcome

from cds_service.errors import Problem
from cds_service.fhir.outcome import outcome

PLACE = "Bundle.entry[3].resource.birthDate"
HERE = Problem(
    "value", "There is no such day.", "Send a day.", "Bundle.entry[3].resource.birthDate"
)
ALL = Problem("structure", "The body is not JSON.", "Send JSON.")


def test_each_problem_is_an_issue_with_its_place_and_what_to_do() -> None:
    assert outcome([HERE])["issue"] == [
        {
            "severity": "error",
            "code": "value",
            "details": {"text": "There is no such day."},
            "diagnostics": "Send a day.",
            "expression": ["Bundle.entry[3].resource.birthDate"],
        }
    ]


def test_a_problem_of_the_whole_request_has_no_expression() -> None:
    assert "expression" not in outcome([ALL])["issue"][0]


def test_a_problem_that_nothing_can_be_done_about_says_only_what_is_wrong() -> None:
    assert "diagnostics" not in outcome([Problem("processing", "It failed.", "")])["issue"][0]


def test_the_order_of_the_problems_is_kept() -> None:
    codes = [issue["code"] for issue in outcome([HERE, ALL])["issue"]]
    assert codes == ["value", "structure"]


def test_it_is_a_resource_of_fhir() -> None:
    for severity in ("fatal", "error", "warning", "information"):
        made = OperationOutcome.model_validate(outcome([HERE, ALL], severity))
        assert made.issue[0].severity == severity
