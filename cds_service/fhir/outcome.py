"""OperationOutcome: what is wrong, where, and what to do (FHIR R4 OperationOutcome)."""

from collections.abc import Sequence
from typing import Any

from cds_service.errors import Problem


def outcome(problems: Sequence[Problem], severity: str = "error") -> dict[str, Any]:
    """The OperationOutcome of `problems`, one issue each, in their order.

    `severity` is a code of FHIR's issue-severity: "fatal", "error", "warning", "information".
    """
    return {
        "resourceType": "OperationOutcome",
        "issue": [_issue(problem, severity) for problem in problems],
    }


def recorded(index: int, status: str) -> dict[str, Any]:
    """That something was recorded, for who does not want the answer itself.

    `status` is what the log says of it, such as the GuidanceResponse's, "" when it says nothing.
    """
    what = f"Recorded as entry {index} of the log{f': {status}' if status else ''}."
    remedy = f"GET AuditEvent/log-{index} says where all of it is."
    return outcome([Problem("informational", what, remedy)], severity="information")


def _issue(problem: Problem, severity: str) -> dict[str, Any]:
    issue: dict[str, Any] = {
        "severity": severity,
        "code": problem.code,
        "details": {"text": problem.what},
    }
    if problem.remedy:
        issue["diagnostics"] = problem.remedy
    if problem.expression:
        issue["expression"] = [problem.expression]
    return issue
