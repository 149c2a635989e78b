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
