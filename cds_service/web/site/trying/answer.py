"""An answer of `$apply` as a page shows it, read from the FHIR alone."""

from collections.abc import Iterator
from typing import Any, NamedTuple

import orjson

from cds_service.web.site.trying.steps import Steps, Told, Visit, told

Json = dict[str, Any]
_SEVERITIES = ("high", "moderate", "low")


class Held(NamedTuple):
    """A class that holds, and why."""

    name: str
    unsure: bool
    """A row above it is still open."""
    reasons: tuple[str, ...]
    trace: tuple[str, ...]
    """The rule and its tests line by line, each with its sources."""


class Caution(NamedTuple):
    """Something to beware of; `about` are the resources of the caller that it is about."""

    words: str
    severity: str
    do: tuple[str, ...]
    about: tuple[str, ...]


class Answer(NamedTuple):
    """All that an answer says."""

    decision: str
    status: str
    headline: str
    proposal: str
    """Whose decision it remains."""
    missing: tuple[str, ...]
    needed: tuple[str, ...]
    """Codes of what is to be found out."""
    classes: tuple[Held, ...]
    steps: Steps
    visits: tuple[Visit, ...]
    cautions: tuple[Caution, ...]
    caregiver: tuple[Told, ...]
    language: str
    """Of the caregiver's words."""


def answer_of(body: bytes) -> Answer:
    """Read an answer that this service made."""
    resources: dict[str, list[Json]] = {}
    by_address: dict[str, Json] = {}
    for entry in orjson.loads(body)["entry"]:
        resource = entry["resource"]
        resources.setdefault(resource["resourceType"], []).append(resource)
        by_address[entry["fullUrl"]] = resource
    guidance, plan = resources["GuidanceResponse"][0], resources["CarePlan"][0]
    group = resources["RequestGroup"][0]
    steps = Steps(group.get("action", ()), by_address)
    spoken = resources.get("CommunicationRequest", [])
    return Answer(
        decision=guidance["id"],
        status=guidance["status"],
        headline=plan.get("description", ""),
        proposal=plan["note"][0]["text"],
        missing=tuple(note["text"] for note in guidance.get("note", ())),
        needed=tuple(_needed(guidance)),
        classes=tuple(map(_held, resources.get("Condition", ()))),
        steps=steps,
        visits=steps.visits,
        cautions=tuple(sorted(map(_caution, resources.get("DetectedIssue", ())), key=_grave)),
        caregiver=tuple(_spoken(spoken)),
        language=spoken[0]["language"] if spoken else "en",
    )


def _needed(guidance: Json) -> Iterator[str]:
    for each in guidance.get("dataRequirement", ()):
        for chosen in each.get("codeFilter", ())[:1]:
            yield chosen["code"][0]["code"]


def _held(condition: Json) -> Held:
    status = condition["verificationStatus"]["coding"][0]["code"]
    rule, *tests = condition["note"][0]["text"].split("\n")
    facts = [code["text"] for each in condition.get("evidence", ()) for code in each["code"]]
    # A class that says that nothing was found rests on answers that are NO: the trace has them.
    reasons = (
        test.rpartition(" (")[0] for test in tests if any(test.startswith(f"{f}: ") for f in facts)
    )
    name = condition["code"]["text"]
    return Held(name, status == "differential", tuple(dict.fromkeys(reasons)), (rule, *tests))


def _caution(issue: Json) -> Caution:
    return Caution(
        issue["code"]["text"],
        issue["severity"],
        tuple(each["action"]["text"] for each in issue.get("mitigation", ())),
        tuple(each["reference"] for each in issue.get("implicated", ()) if "reference" in each),
    )


def _grave(caution: Caution) -> int:
    return _SEVERITIES.index(caution.severity)


def _spoken(requests: list[Json]) -> Iterator[Told]:
    for request in requests:
        for content in request["payload"]:
            yield told(content, "contentString", request["language"])
