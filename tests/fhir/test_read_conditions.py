"""Conditions and allergies as findings."""

from datetime import datetime
from typing import Any

import pytest

from cds_service.case import Answer
from cds_service.content.treatment import Protocol
from cds_service.errors import MalformedRequest
from cds_service.fhir.read import read
from tests.changing import replace
from tests.fhir.sending import (
    ATC,
    HL7,
    NOW,
    OWN,
    SNOMED,
    Json,
    bundle,
    case,
    changed,
    concept,
    found,
    patient,
    protocol,
    refused,
    text,
)


def condition(code: Any, **changes: Any) -> Json:
    one = {
        "resourceType": "Condition",
        "id": "condition-1",
        "code": code,
        "subject": {"reference": "Patient/infant-1"},
    }
    return changed(one, changes)


TODAY = "2026-05-01T08:00:00+02:00"
FIT = concept(f"{OWN}/finding", "convulsions")


def clinical(code: str) -> Json:
    return concept(f"{HL7}/condition-clinical", code)


def verified(code: str) -> Json:
    return concept(f"{HL7}/condition-ver-status", code)


@pytest.mark.parametrize("status", ["active", "recurrence", "relapse"])
def test_a_condition_that_holds_means_yes(status: str) -> None:
    one = found(condition(FIT, clinicalStatus=clinical(status), recordedDate=TODAY))
    assert (one.code, one.answer) == ("convulsions", Answer.YES)
    assert one.at == datetime.fromisoformat(TODAY)


def test_a_condition_may_be_coded_in_snomed() -> None:
    one = found(condition(concept(SNOMED, "91175000"), onsetDateTime="2026-04-30"))
    assert one.code == "convulsions"
    assert one.at is not None


def test_a_refuted_condition_means_no() -> None:
    assert found(condition(FIT, verificationStatus=verified("refuted"))).answer is Answer.NO


@pytest.mark.parametrize("status", ["unconfirmed", "provisional", "differential"])
def test_an_unsure_condition_is_marked(status: str) -> None:
    one = found(condition(FIT, verificationStatus=verified(status)))
    assert (one.answer, one.preliminary) == (Answer.YES, True)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"verificationStatus": verified("entered-in-error")}, "entered-in-error"),
        ({"clinicalStatus": clinical("inactive")}, "condition-ended"),
        ({"clinicalStatus": clinical("resolved")}, "condition-ended"),
        ({"clinicalStatus": clinical("remission")}, "condition-ended"),
        ({"abatementDateTime": "2026-04-20"}, "condition-ended"),
        ({"abatementString": "last week"}, "condition-ended"),
        ({"recordedDate": "2026-05-03"}, "future"),
    ],
)
def test_a_condition_that_does_not_hold_is_refused_by_name(changes: Json, reason: str) -> None:
    assert refused(condition(FIT, **changes)) == [reason]


def test_a_condition_that_is_an_unknown_finding_is_named() -> None:
    assert refused(condition(concept(f"{OWN}/finding", "unheard-of"))) == ["finding-unknown"]


@pytest.mark.parametrize(
    ("code", "shown"),
    [
        (..., "?"),
        ({"text": "Ill, says Orla Fenn"}, "?"),
        (concept(SNOMED, "1"), "1"),
        (concept("http://loinc.org", "29463-7"), "29463-7"),
        (concept("http://upper-brenna.example/problems", "Orla Fenn"), "?"),
    ],
)
def test_a_condition_that_is_not_asked_for_is_named_by_its_code(code: Any, shown: str) -> None:
    (told,) = case(patient(), condition(code)).refusals
    assert (told.reason, told.details, told.code) == (
        "condition-unknown", (("code", shown),), "",
    )  # fmt: skip


@pytest.mark.parametrize(
    "changes",
    [
        {"verificationStatus": verified("refuted")},
        {"verificationStatus": verified("entered-in-error")},
        {"clinicalStatus": clinical("resolved")},
        {"subject": {"reference": "Patient/mother-1"}},
    ],
)
def test_one_that_does_not_hold_or_is_of_another_is_not_told_as_one_that_does(
    changes: Json,
) -> None:
    assert "condition-unknown" not in refused(condition(concept(SNOMED, "1"), **changes))


@pytest.mark.parametrize(
    "changes",
    [
        {"clinicalStatus": clinical("banana")},
        {"clinicalStatus": {"text": "resolved"}},
        {"verificationStatus": concept(f"{HL7}/condition-clinical", "active")},
    ],
)
def test_a_status_outside_its_value_set_is_malformed(changes: Json) -> None:
    with pytest.raises(MalformedRequest) as caught:
        case(patient(), condition(FIT, **changes))
    (problem,) = caught.value.problems
    assert problem.expression == f"Bundle.entry[1].resource.{next(iter(changes))}"


# --- Allergies ---


def allergy(code: Any, **changes: Any) -> Json:
    one = {
        "resourceType": "AllergyIntolerance",
        "id": "allergy-1",
        "code": code,
        "patient": {"reference": "Patient/infant-1"},
    }
    return changed(one, changes)


def allergy_clinical(code: str) -> Json:
    return concept(f"{HL7}/allergyintolerance-clinical", code)


def allergy_verified(code: str) -> Json:
    return concept(f"{HL7}/allergyintolerance-verification", code)


PENICILLIN = concept(SNOMED, "91936005")


@pytest.mark.parametrize(
    ("code", "sign"),
    [
        (PENICILLIN, "penicillin-allergy"),  # design, "In"
        (concept(SNOMED, "373270004"), "penicillin-allergy"),  # design, "In"
        (concept(ATC, "J01CA04"), "penicillin-allergy"),  # design, "In": J01C*
        (concept(ATC, "J01C"), "penicillin-allergy"),
        (concept(ATC, "J01GB03"), "aminoglycoside-allergy"),  # gentamicin
        (concept(f"{OWN}/finding", "penicillin-allergy"), "penicillin-allergy"),
    ],
)
def test_an_allergy_answers_the_sign_of_its_substance(code: Json, sign: str) -> None:
    one = found(allergy(code))
    assert (one.code, one.answer, one.preliminary) == (sign, Answer.YES, False)


@pytest.mark.parametrize(
    "code",
    [
        ...,
        {"text": "some antibiotic"},
        concept(SNOMED, "91935009"),
        concept(ATC, "J01"),
        {"coding": [{"system": ATC}]},
        concept("http://upper-brenna.example/allergies", "J01CA04"),
    ],
)
def test_an_allergy_that_is_not_understood_is_never_dropped(code: Any) -> None:
    assert refused(allergy(code)) == ["allergy-not-understood"]


@pytest.mark.parametrize("code", ["716186003", "409137002"])  # SNOMED CT, from memory
def test_no_known_allergy_answers_every_allergy_sign_with_no(code: str) -> None:
    read = case(patient(), allergy(concept(SNOMED, code)))
    assert {one.answer for one in read.findings} == {Answer.NO}
    expected = {s.code for s in protocol().signs if s.allergy_atc or s.allergy_snomed}
    assert {one.code for one in read.findings} == expected


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"verificationStatus": allergy_verified("refuted")}, "allergy-refuted"),
        ({"verificationStatus": allergy_verified("entered-in-error")}, "allergy-entered-in-error"),
        ({"clinicalStatus": allergy_clinical("inactive")}, "allergy-ended"),
        ({"clinicalStatus": allergy_clinical("resolved")}, "allergy-ended"),
    ],
)
def test_an_allergy_that_does_not_hold_is_refused_by_name(changes: Json, reason: str) -> None:
    assert refused(allergy(PENICILLIN, **changes)) == [reason]


def test_an_unconfirmed_allergy_counts_and_is_marked() -> None:
    one = found(allergy(PENICILLIN, verificationStatus=allergy_verified("unconfirmed")))
    assert (one.answer, one.preliminary) == (Answer.YES, True)


def test_a_time_in_the_future_does_not_take_an_allergy_away() -> None:
    one = found(allergy(PENICILLIN, recordedDate="2026-06-01"))
    assert (one.answer, one.at) == (Answer.YES, None)


WORDS = {
    "penicillin-allergy": ("penicillin", "beta-lactam"),
    "aminoglycoside-allergy": ("amikacin",),
}


def with_words() -> Protocol:
    signs = [replace(one, allergy_words=WORDS.get(one.code, ())) for one in protocol().signs]
    return replace(protocol(), signs=tuple(signs), digest="with words")


def allergies(code: Json) -> list[tuple[str, Answer]]:
    case = read(text(bundle(patient(), allergy(code))), with_words(), now=NOW).case
    return [(one.code, one.answer) for one in case.findings]


@pytest.mark.parametrize(
    ("code", "signs"),
    [
        ({"text": "Penicillin (rash)"}, ["penicillin-allergy"]),
        ({"text": "allergic to PENICILLINS"}, ["penicillin-allergy"]),
        ({"coding": [{"display": "Beta-lactam antibiotic"}]}, ["penicillin-allergy"]),
        (
            {
                "coding": [
                    {"system": "http://upper-brenna.example/a", "code": "1", "display": "Amikacin"}
                ]
            },
            ["aminoglycoside-allergy"],
        ),
        (
            {**PENICILLIN, "text": "penicillin, amikacin"},
            ["aminoglycoside-allergy", "penicillin-allergy"],
        ),
        ({"text": "penicillinase"}, []),
        ({"text": "peanut"}, []),
    ],
)
def test_an_allergy_in_words_answers_the_signs_whose_words_are_in_it(
    code: Json, signs: list[str]
) -> None:
    assert allergies(code) == [(sign, Answer.YES) for sign in signs]


def test_the_words_of_no_known_allergy_are_no_allergy() -> None:
    none = {**concept(SNOMED, "716186003"), "text": "No known allergy to penicillin"}
    assert {answer for _, answer in allergies(none)} == {Answer.NO}


def test_another_infants_allergy_is_not_this_infants() -> None:
    assert refused(allergy(PENICILLIN, patient={"reference": "Patient/infant-2"})) == [
        "subject-other"
    ]
