"""Findings: the code, the answer, the status."""

import pytest

from cds_service.case import Answer
from cds_service.engine import decide
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
def test_an_observation_of_something_else_is_no_finding(code: Json) -> None:
    read = case(patient(), observation("f", code, valueBoolean=True))
    assert (read.findings, reasons(read)) == ((), ["observations-unknown"])


@pytest.mark.parametrize("status", ["final", "amended", "corrected"])
def test_a_settled_observation_is_used(status: str) -> None:
    assert found(finding("convulsions", status=status)).preliminary is False


def test_a_preliminary_observation_is_used_and_marked() -> None:
    assert found(finding("convulsions", status="preliminary")).preliminary is True
    assert value(weight(status="preliminary")).preliminary is True


HEAD = concept("http://loinc.org", "9843-4")  # head circumference, from memory
APGAR = concept("http://loinc.org", "9274-2")  # Apgar score after five minutes, from memory


def test_observations_that_are_not_asked_for_are_counted() -> None:
    others = [observation(f"other-{n}", code) for n, code in enumerate((HEAD, APGAR))]
    first, last = case(patient(), *others), case(*reversed(others), patient())
    (told,) = first.refusals
    assert (told.reason, told.details) == ("observations-unknown", (("count", "2"),))
    assert first.refusals == last.refusals


def test_one_of_several_unknown_parts_is_counted_once() -> None:
    parts = [{"code": code, "valueInteger": 9} for code in (HEAD, APGAR)]
    (told,) = case(patient(), observation("head", HEAD, component=parts)).refusals
    assert told.details == (("count", "1"),)


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error"])
def test_what_is_no_observation_is_not_counted(status: str) -> None:
    assert refused(observation("head", HEAD, status=status)) == []


def test_they_are_told_slightly_and_change_nothing_else() -> None:
    alone, beside = (
        decide(case(patient(), weight(), *more), protocol())
        for more in ([], [observation("head", HEAD)])
    )
    extra = set(beside.plan.cautions) - set(alone.plan.cautions)
    assert [(each.code, each.severity) for each in extra] == [("not-used", "low")]
    assert beside.plan._replace(cautions=()) == alone.plan._replace(cautions=())
