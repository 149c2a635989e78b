"""The referral note against FHIR R4 documents.html: first the Composition, nothing points outside.

Findings, doses given and reasons are those of the example that was sent.
"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from fhir.resources.R4B.bundle import Bundle

from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.fhir.read import read
from cds_service.fhir.write_note import write_note

BASE = "http://cds-service.example/fhir"
PROTOCOL = load()
STORIES = sorted(path.parent.name for path in Path("examples").glob("*/request.json"))
Json = dict[str, Any]


def decided(story: str) -> Decision:
    body = Path(f"examples/{story}/request.json").read_bytes()
    return decide(read(body, PROTOCOL, now=datetime(2026, 5, 1, tzinfo=UTC)).case, PROTOCOL)


def note(story: str) -> Json:
    made: Json = json.loads(write_note(decided(story), base=BASE, language="en"))
    return made


def sections(document: Json) -> dict[str, list[str]]:
    """The lines of each section by its title, read from the narrative as a browser would."""
    found = {}
    for section in document["entry"][0]["resource"]["section"]:
        root = ElementTree.fromstring(section["text"]["div"])
        found[section["title"]] = [
            each.text or "" for each in root.iter() if each.tag.endswith("li")
        ]
    return found


def references(tree: Any) -> list[str]:
    if isinstance(tree, list):
        return [one for each in tree for one in references(each)]
    if isinstance(tree, dict):
        own = [tree["reference"]] if isinstance(tree.get("reference"), str) else []
        return own + [one for each in tree.values() for one in references(each)]
    return []


@pytest.mark.parametrize("story", STORIES)
def test_it_is_a_document_of_fhir_r4_that_needs_nothing_from_outside(story: str) -> None:
    document = note(story)
    Bundle.model_validate(document)
    assert document["type"] == "document"
    assert document["entry"][0]["resource"]["resourceType"] == "Composition"
    assert document["identifier"]["system"] == "urn:ietf:rfc:3986"
    inside = {each["fullUrl"] for each in document["entry"]}
    assert len(inside) == len(document["entry"])
    outside = {one for one in references(document) if one not in inside and one[0] != "#"}
    assert outside == set()


@pytest.mark.parametrize("story", STORIES)
def test_the_same_decision_has_the_same_note(story: str) -> None:
    one, other = (write_note(decided(story), base=BASE, language="en") for _ in range(2))
    assert one == other


def test_it_says_why_what_was_found_and_what_was_given_when() -> None:
    told = sections(note("14-referral-failed-gentamicin-given"))
    assert told["Why the infant is referred"] == [
        "Clinical severe infection",
        "Clinical severe infection: Temperature at least 38 °C (recorded: 38.1 °C)",
    ]
    assert told["What was found"][0] == "Age: 19 days"
    assert "Temperature: 38.1 °C, Monday 20 July 2026, 17:47" in told["What was found"]
    assert told["Medicines given before"] == [
        "Ampicillin, Monday 20 July 2026, 08:15",
        "Gentamicin, Monday 20 July 2026, 08:15",
    ]
    assert "licensed health worker" in told["Who decides"][0]
    assert any(line.startswith("Severe chest indrawing") for line in told["Asked and not found"])


def test_what_is_proposed_before_leaving_goes_with_it() -> None:
    document = note("02-convulsions-refer")
    told = sections(document)
    assert len(told["Proposed before leaving"]) == 2
    kinds = [each["resource"]["resourceType"] for each in document["entry"]]
    assert kinds.count("MedicationRequest") == 2
    assert told["On the way"]


def test_it_can_be_written_at_the_judgement_of_the_health_worker() -> None:
    told = sections(note("06-infection-unlikely"))
    assert "at the judgement of the health worker" in told["Why the infant is referred"][0]


def test_fluids_on_the_way_travel_with_it() -> None:
    document = note("23-blood-in-long-diarrhoea")
    told = sections(document)["Fluids on the way"]
    assert told[0].startswith("ORS")
    kinds = [each["resource"]["resourceType"] for each in document["entry"]]
    assert "MedicationRequest" in kinds


def test_a_missed_dose_is_told() -> None:
    told = sections(note("34-two-missed-doses"))["Medicines given before"]
    assert "Amoxicillin, a dose was not given, Tuesday 6 October 2026, 20:10" in told


def test_a_caution_about_what_is_given_here_only_does_not_travel() -> None:
    # The band dose of amoxicillin far from its target belongs to treatment here.
    assert not any(
        "Amoxicillin" in line for line in sections(note("01-fever-refer-or-treat"))["Cautions"]
    )


def test_a_dose_without_a_time_says_so() -> None:
    from cds_service.case import GivenDose, Origin
    from tests.changing import replace

    decision = decided("14-referral-failed-gentamicin-given")
    given = (GivenDose("gentamicin", None, Origin("MedicationAdministration/1")),)
    case = replace(decision.case, given=given)
    document: Json = json.loads(write_note(decide(case, PROTOCOL), base=BASE, language="en"))
    Bundle.model_validate(document)
    assert sections(document)["Medicines given before"] == ["Gentamicin, time not recorded"]


def test_it_says_which_national_adaptation_was_used() -> None:
    body = Path("examples/02-convulsions-refer/request.json").read_bytes()
    adapted = load(adaptation="kestria")
    decision = decide(read(body, adapted, now=datetime(2026, 5, 1, tzinfo=UTC)).case, adapted)
    document = json.loads(write_note(decision, base=BASE, language="en"))
    said = [line for lines in sections(document).values() for line in lines]
    assert any("Kestria (an invented country)" in line for line in said)
    assert not any(
        "Kestria" in str(lines) for lines in sections(note("02-convulsions-refer")).items()
    )
