"""Findings: the code, the answer, the status."""

import pytest

from cds_service.case import Answer
from tests.fhir.sending import (
    HL7,
    OWN,
    SNOMED,
    Json,
    both,
    case,
    concept,
    finding,
    found,
    observation,
    patient,
    protocol,
    quantity,
    reasons,
    refused,
    value,
    weight,
)

NOT_ASKED = concept(f"{HL7}/data-absent-reason", "not-asked")


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        ({"valueBoolean": True}, Answer.YES),
        ({"valueBoolean": False}, Answer.NO),
        ({"valueCodeableConcept": concept(f"{HL7}/v2-0136", "Y")}, Answer.YES),
        ({"valueCodeableConcept": concept(f"{HL7}/v2-0136", "N")}, Answer.NO),
        ({"valueCodeableConcept": concept(SNOMED, "52101004")}, Answer.YES),  # design, "In"
        ({"valueCodeableConcept": concept(SNOMED, "2667000")}, Answer.NO),  # design, "In"
        ({"valueCodeableConcept": concept(SNOMED, "373066001")}, Answer.YES),  # from memory
        ({"valueCodeableConcept": concept(SNOMED, "373067005")}, Answer.NO),  # from memory
        (
            {"dataAbsentReason": concept(f"{HL7}/data-absent-reason", "not-asked")},
            Answer.NOT_ASSESSED,
        ),
        ({"dataAbsentReason": {"text": "asleep"}}, Answer.NOT_ASSESSED),
    ],
)
def test_yes_and_no_may_be_spelt_in_several_ways(sent: Json, answer: Answer) -> None:
    assert found(finding("convulsions", **sent)).answer is answer


@pytest.mark.parametrize(
    "sent",
    [
        {"valueCodeableConcept": {"text": "yes"}},
        {"valueCodeableConcept": concept(f"{HL7}/v2-0136", "maybe")},
        {"valueCodeableConcept": concept("http://upper-brenna.example/yes-no", "Y")},
        {"valueString": "yes"},
        {"valueInteger": 1},
        {"valueQuantity": quantity(1, "d")},
        {
            "valueCodeableConcept": {
                "coding": [{"system": f"{HL7}/v2-0136", "code": code} for code in "YN"]
            }
        },
    ],
)
def test_an_answer_that_is_neither_yes_nor_no_is_none(sent: Json) -> None:
    assert refused(finding("convulsions", **sent)) == ["answer-not-understood"]


def test_a_finding_without_any_answer_is_not_an_answer() -> None:
    assert refused(finding("convulsions", valueBoolean=...)) == ["value-missing"]


def test_every_finding_of_the_protocol_is_read_under_any_base() -> None:
    for sign in protocol().signs:
        code = concept("http://upper-brenna.example/cds/CodeSystem/finding", sign.code)
        assert found(observation("f", code, valueBoolean=True)).code == sign.code


def test_a_finding_may_be_coded_in_snomed() -> None:
    """SNOMED CT 91175000 "Seizure" (research/fhir-tooling 5.6: seen)."""
    one = found(observation("fit", concept(SNOMED, "91175000"), valueBoolean=True))
    assert (one.code, one.answer) == ("convulsions", Answer.YES)


def test_two_codes_of_one_finding_are_one_finding() -> None:
    code = both(concept(SNOMED, "91175000"), concept(f"{OWN}/finding", "convulsions"))
    assert found(observation("fit", code, valueBoolean=True)).code == "convulsions"


def test_an_unknown_finding_is_named_by_its_code() -> None:
    read = case(patient(), finding("sunken-eye"))
    (refusal,) = read.refusals
    assert (refusal.reason, refusal.details) == ("finding-unknown", (("code", "sunken-eye"),))


def test_a_known_code_beside_an_unknown_one_still_counts() -> None:
    code = both(concept(f"{OWN}/finding", "unheard"), concept(f"{OWN}/finding", "jaundice"))
    read = case(patient(), observation("f", code, valueBoolean=True))
    assert [one.code for one in read.findings] == ["jaundice"]
    assert reasons(read) == ["finding-unknown"]


@pytest.mark.parametrize(
    "code",
    [
        {"text": "convulsions, perhaps"},
        {"text": "convulsions", **concept("http://upper-brenna.example/codes", "fits")},
        concept("http://upper-brenna.example/codes", "convulsions"),
        concept("http://loinc.org", "0-0"),
        {"coding": [{"code": "convulsions"}]},
        {"coding": [{"system": f"{OWN}/finding"}]},
    ],
)
def test_an_observation_of_something_else_says_nothing_here(code: Json) -> None:
    read = case(patient(), observation("f", code, valueBoolean=True))
    assert (read.findings, read.refusals) == ((), ())


@pytest.mark.parametrize("status", ["final", "amended", "corrected"])
def test_a_settled_observation_is_used(status: str) -> None:
    assert found(finding("convulsions", status=status)).preliminary is False


def test_a_preliminary_observation_is_used_and_marked() -> None:
    assert found(finding("convulsions", status="preliminary")).preliminary is True
    assert value(weight(status="preliminary")).preliminary is True
