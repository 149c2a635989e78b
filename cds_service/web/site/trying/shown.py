"""What one view of the page shows: the form as it is filled in, and the answer or the refusal."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import orjson

from cds_service.web.problems import Refused
from cds_service.web.site.trying.answer import Answer
from cds_service.web.site.trying.calendar import Calendar
from cds_service.web.site.trying.changed import Changed
from cds_service.web.site.trying.checked import Fault
from cds_service.web.site.trying.drawings import Drawings
from cds_service.web.site.trying.examples import Example


@dataclass(frozen=True, slots=True)
class Answered:
    """A request that was answered, and its answer."""

    answer: Answer
    index: int
    """Of its entry in the log."""
    day: str
    request: str
    response: str
    """Both as text; the response indented."""
    calendar: Calendar | None
    drawings: Drawings
    changed: Changed | None = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """A request that was refused."""

    status: int
    issues: tuple[Fault, ...]
    """With the field that each is about, "" when none."""
    outcome: str
    """The OperationOutcome as text."""
    request: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """Everything that the templates show."""

    values: Mapping[str, str] = field(default_factory=dict)
    stock: Sequence[str] = ()
    base: str = ""
    """Index of the entry that the form goes on from; "" for none."""
    example: Example | None = None
    answered: Answered | None = None
    refusal: Refusal | None = None
    faults: Mapping[str, Fault] = field(default_factory=dict)
    """What is wrong at each field."""
    notes: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """What the service says of the value of a field."""

    needed: Sequence[str] = ()
    """Fields that the answer asks to be filled in."""


def refusal_of(refused: Refused, fields: Mapping[str, str], request: bytes = b"") -> Refusal:
    """A refusal as the page shows it; `fields` are those of its FHIRPath expressions."""
    outcome = orjson.loads(refused.body)
    issues = tuple(_issue(each, fields) for each in outcome["issue"])
    return Refusal(refused.status, issues, pretty(refused.body), request.decode())


def _issue(issue: Any, fields: Mapping[str, str]) -> Fault:
    place = next(iter(issue.get("expression", ())), "")
    return Fault(fields.get(place, ""), issue["details"]["text"], issue.get("diagnostics", ""))


def pretty(body: bytes) -> str:
    """JSON for people."""
    return orjson.dumps(orjson.loads(body), option=orjson.OPT_INDENT_2).decode()
