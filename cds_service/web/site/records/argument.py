"""A recorded answer read as an argument: facts, rule, source, class, dose; and what was left open.

Everything is taken from the bytes that were recorded, nothing is decided again: what stands here is
what the health worker was told.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.web.site.records.sources import Cited, Sources

Json = Mapping[str, Any]
_FACT = re.compile(r"(?P<words>.+): (?P<answer>yes|no)(?: \((?P<source>[^()]*)\))?")
_RULE = re.compile(r"Rule (?P<code>[a-z0-9-]+)(?: \((?P<source>[^()]*)\))?")
_CERTAIN = {
    "provisional": "holds",
    "differential": "holds so far: a row above it is not decided yet",
}
_CHOICE = {
    "exactly-one": "Choose one of these",
    "all": "All of these",
    "any": "Any of these",
    "at-most-one": "At most one of these",
}


class Fact(NamedTuple):
    """One test of a rule with its answer."""

    words: str
    answer: str
    """"yes", "no", or "" when it is told in other words."""
    cited: Cited
    recorded: tuple[str, ...]
    """The caller's resources that it was read from, by type and id."""


class Told(NamedTuple):
    """A medicine or a fluid as it was proposed."""

    name: str
    dose: tuple[str, ...]
    why: tuple[str, ...]
    """What it contains, the target, the rule, the sources."""


class Step(NamedTuple):
    """One class with all that led to it and all that follows from it."""

    name: str
    code: str
    certain: str
    rule: str
    cited: Cited
    facts: tuple[Fact, ...]
    doses: tuple[Told, ...]


class Caution(NamedTuple):
    """Something to beware of."""

    words: str
    severity: str
    """"high", "moderate" or "low"."""
    remedy: tuple[str, ...]


class Action(NamedTuple):
    """A part of the plan."""

    title: str
    choice: str
    urgent: bool
    marks: tuple[str, ...]
    parts: tuple["Action", ...]


@dataclass(frozen=True, slots=True)
class Argument:
    """The whole answer."""

    summary: str
    steps: tuple[Step, ...]
    others: tuple[Told, ...]
    """Proposed without a class as the reason."""
    undecided: tuple[str, ...]
    ask: tuple[str, ...]
    unrecorded: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[Caution, ...]
    plan: tuple[Action, ...]
    caregiver: tuple[str, ...]
    language: str


def argument(answer: Json, protocol: Protocol) -> Argument:
    """Read an answer Bundle; `protocol` resolves sources that the answer only marks."""
    kinds: dict[str, list[Json]] = defaultdict(list)
    address: dict[int, str] = {}
    for entry in answer.get("entry", ()):
        resource = entry["resource"]
        kinds[resource["resourceType"]].append(resource)
        address[id(resource)] = entry.get("fullUrl", "")
    groups = [action for group in kinds["RequestGroup"] for action in group.get("action", ())]
    sources = Sources(groups, protocol)
    doses = _by_reason(kinds["MedicationRequest"])
    steps = tuple(
        _step(condition, sources, doses.pop(address[id(condition)], ()))
        for condition in kinds["Condition"]
    )
    # What led to a medicine comes first; apart from that in the order of the answer.
    steps = tuple(sorted(steps, key=lambda step: not step.doses))
    notes = [note for each in kinds["GuidanceResponse"] for note in _notes(each)]
    undecided, ask, unrecorded = leads = _leads(protocol)
    return Argument(
        summary=" ".join(each.get("description", "") for each in kinds["CarePlan"]),
        steps=steps,
        others=tuple(told for several in doses.values() for told in several),
        undecided=_after(notes, undecided),
        ask=_after(notes, ask),
        unrecorded=tuple(part for note in _after(notes, unrecorded) for part in note.split("; ")),
        notes=tuple(note for note in notes if not note.startswith(leads)),
        cautions=tuple(map(_caution, kinds["DetectedIssue"])),
        plan=tuple(map(_action, groups)),
        caregiver=tuple(
            part.get("contentString", "")
            for each in kinds["CommunicationRequest"]
            for part in each.get("payload", ())
        ),
        language=next((each.get("language", "en") for each in kinds["CommunicationRequest"]), "en"),
    )


_OPEN = ("write.undecided", "asked", "write.not-recorded")
"""The content's texts in which a GuidanceResponse says what was not assessed."""


def _leads(protocol: Protocol) -> tuple[str, ...]:
    """How these texts begin, up to the first of what is filled in."""
    return tuple(protocol.text_by_key[key].partition("{")[0] for key in _OPEN)


def _after(notes: Iterable[str], lead: str) -> tuple[str, ...]:
    return tuple(note.removeprefix(lead) for note in notes if note.startswith(lead))


def _notes(resource: Json) -> list[str]:
    return [note.get("text", "") for note in resource.get("note", ())]


def _by_reason(requests: Iterable[Json]) -> dict[str, tuple[Told, ...]]:
    """What is proposed, by the address of the first class that is its reason."""
    found: dict[str, dict[Told, None]] = defaultdict(dict)
    for request in requests:
        reasons = [each.get("reference", "") for each in request.get("reasonReference", ())]
        for reason in reasons or [""]:
            found[reason][_told(request)] = None
    return {reason: tuple(several) for reason, several in found.items()}


def _told(request: Json) -> Told:
    contained = request.get("contained", ({},))[0]
    concept = contained.get("code", request.get("medicationCodeableConcept", {}))
    dosages = request.get("dosageInstruction", ())
    words = [each.get(part, "") for each in dosages for part in ("text", "patientInstruction")]
    why = [line for note in _notes(request) for line in note.split("\n")]
    general = "Proposal for a licensed health worker"
    return Told(
        _concept(concept),
        tuple(filter(None, words)),
        tuple(line for line in why if line and not line.startswith(general)),
    )


def _step(condition: Json, sources: Sources, doses: Sequence[Told]) -> Step:
    lines = [line for note in _notes(condition) for line in note.split("\n") if line]
    rule = next((found for line in lines if (found := _RULE.fullmatch(line))), None)
    where = {
        _concept(code): tuple(_short(ref.get("reference", "")) for ref in each.get("detail", ()))
        for each in condition.get("evidence", ())
        for code in each.get("code", ())
    }
    certain = condition.get("verificationStatus", {}).get("coding", ({},))[0].get("code", "")
    facts = dict.fromkeys(
        _fact(line, sources, where) for line in lines if not _RULE.fullmatch(line)
    )
    return Step(
        _concept(condition.get("code", {})),
        _code(condition.get("code", {})),
        _CERTAIN.get(certain, certain),
        rule["code"] if rule else "",
        sources.cited((rule["source"] if rule else None) or ""),
        tuple(facts),
        tuple(doses),
    )


def _fact(line: str, sources: Sources, where: Mapping[str, tuple[str, ...]]) -> Fact:
    found = _FACT.fullmatch(line)
    if found is None:
        return Fact(line, "", sources.cited(""), ())
    words = found["words"]
    cited = sources.cited(found["source"] or "")
    return Fact(words, found["answer"], cited, where.get(words, ()))


def _short(reference: str) -> str:
    """Type and id of a reference; any other one whole.

    >>> _short("https://records.example/fhir/Observation/w-1"), _short("urn:uuid:7")
    ('Observation/w-1', 'urn:uuid:7')
    """
    return "/".join(reference.rsplit("/", 2)[-2:])


def _caution(issue: Json) -> Caution:
    remedies = (_concept(each.get("action", {})) for each in issue.get("mitigation", ()))
    words = issue.get("detail") or _concept(issue.get("code", {}))
    return Caution(words, str(issue.get("severity", "")), tuple(remedies))


def _action(action: Json) -> Action:
    parts = tuple(map(_action, action.get("action", ())))
    marks = (each.get("label", "") for each in action.get("documentation", ()))
    return Action(
        action.get("title", ""),
        _CHOICE.get(action.get("selectionBehavior", ""), "") if len(parts) > 1 else "",
        action.get("priority") in ("urgent", "asap", "stat"),
        tuple(dict.fromkeys(filter(None, marks))),
        parts,
    )


def _concept(concept: Json) -> str:
    return str(concept.get("text") or _code(concept))


def _code(concept: Json) -> str:
    codings: Sequence[Json] = concept.get("coding", ())
    return next(_codes(codings), "")


def _codes(codings: Iterable[Json]) -> Iterator[str]:
    return (str(each["code"]) for each in codings if each.get("code"))
