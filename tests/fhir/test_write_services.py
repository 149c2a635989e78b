"""Referral, care, follow-up, what the caregiver is told, cautions and provenance."""

from typing import Any

from cds_service.case import Origin
from cds_service.content.model import Message
from cds_service.engine.model import Decision, Plan
from cds_service.fhir.write import write
from tests.changing import replace
from tests.fhir.decisions import (
    BASE,
    PROPOSAL,
    amoxicillin,
    care,
    caution,
    decision,
    gentamicin,
    plan,
    referral,
    severe,
    visit,
)
from tests.fhir.judge import judged, resources


def only(kind: str, planned: Plan) -> dict[str, Any]:
    """The one resource of a type in the answer for this plan."""
    (found,) = every(kind, decision(planned=planned))
    return found


def every(kind: str, made: Decision) -> list[dict[str, Any]]:
    """All resources of a type."""
    return resources(judged(write(made, base=BASE, language="")), kind)


def test_a_referral_is_urgent_and_a_patient_referral() -> None:
    found = only("ServiceRequest", plan(choice="refer", referral=referral()))
    # SNOMED CT 3457005: patient referral (design, "Out")
    assert found["category"][0]["coding"][0]["code"] == "3457005"
    assert (found["priority"], found["intent"]) == ("urgent", "proposal")
    assert found["reasonCode"] == [{"text": "Clinical severe infection"}]


def test_a_referral_that_is_not_urgent_is_routine() -> None:
    found = only("ServiceRequest", plan(choice="refer", referral=referral(urgent=False)))
    assert (found["priority"], found["code"]["text"]) == (
        "routine",
        "Refer for assessment",
    )


def test_a_referral_that_may_still_be_chosen_is_an_option() -> None:
    planned = plan(choice="refer-or-here", referral=referral(is_option=True))
    assert only("ServiceRequest", planned)["intent"] == "option"


def test_the_only_safe_option_is_said_to_be_so() -> None:
    found = only("ServiceRequest", plan(choice="refer-then-here", referral=referral(only=True)))
    assert "only safe course" in found["note"][0]["text"]


def test_a_referral_stored_alone_still_says_that_it_is_a_proposal() -> None:
    for only_option in (False, True):
        planned = plan(choice="refer", referral=referral(only=only_option))
        (note,) = only("ServiceRequest", planned)["note"]
        assert note["text"].startswith(PROPOSAL)
        assert note["text"].endswith("\nSource: P20, A24; words seen.")


def test_what_the_caregiver_is_told_is_a_proposal_too() -> None:
    found = only("CommunicationRequest", plan(counselling=(Message("care.return-at-once"),)))
    assert found["note"] == [{"text": PROPOSAL}]


def test_a_referral_without_classes_or_reasons_is_still_written() -> None:
    bare = replace(referral(), classes=(), reasons=())
    found = only("ServiceRequest", plan(choice="refer", referral=bare))
    assert not {"reasonCode", "reasonReference"} & set(found)


def test_care_is_routine_and_emergency_care_is_immediate() -> None:
    assert only("ServiceRequest", plan(care=(care("keep-warm"),)))["priority"] == "routine"
    planned = plan(emergency=(care("give-oxygen", emergency=True),))
    found = only("ServiceRequest", planned)
    assert found["priority"] == "stat"
    assert found["code"]["coding"] == [{"system": f"{BASE}/CodeSystem/care", "code": "give-oxygen"}]
    assert found["note"] == [{"text": "Source: P20, A24; words seen."}]


def test_care_of_an_open_branch_is_an_option() -> None:
    def intent(choice: str, branch: str) -> str:
        return only("ServiceRequest", plan(choice=choice, care=(care("keep-warm", branch),)))[
            "intent"
        ]

    assert intent("refer-or-here", "here") == "option"
    assert intent("refer-or-here", "refer") == "option"
    assert intent("refer-or-here", "") == "proposal"
    assert intent("refer-then-here", "here") == "option"
    assert intent("refer-then-here", "refer") == "proposal"
    assert intent("here", "here") == "proposal"


def test_a_visit_is_on_a_date() -> None:
    found = only("ServiceRequest", plan(follow_ups=(visit("review", 3),)))
    # SNOMED CT 390906007: follow-up encounter (design, "Out"); day 4 is the visit date + 3
    assert found["code"]["coding"][0]["code"] == "390906007"
    assert found["occurrenceDateTime"] == "2026-03-07"
    assert found["patientInstruction"] == "Come back on Saturday 7 March 2026."


def test_only_the_day_to_give_is_told_to_the_caregiver() -> None:
    found = only("ServiceRequest", plan(follow_ups=(visit("review", 7),)))
    assert "patientInstruction" not in found


def test_a_daily_visit_has_a_period() -> None:
    found = only("ServiceRequest", plan(follow_ups=(visit("next-injection", 1, until=6),)))
    assert found["occurrenceTiming"]["repeat"] == {
        "boundsPeriod": {"start": "2026-03-05", "end": "2026-03-10"},
        "frequency": 1,
        "period": 1,
        "periodUnit": "d",
    }


def test_what_the_caregiver_is_told_is_a_draft_communication() -> None:
    planned = plan(counselling=(Message("care.keep-warm-at-home"),))
    found = only("CommunicationRequest", planned)
    assert found["status"] == "draft"
    assert found["payload"][0]["contentString"].startswith("Keep the baby warm")


def test_nothing_to_tell_is_no_communication() -> None:
    assert every("CommunicationRequest", decision()) == []


def test_a_caution_is_a_detected_issue_with_severity_and_the_resources_it_is_about() -> None:
    origins = (Origin("Observation/f1"), Origin("Observation/f1"), Origin())
    found = only("DetectedIssue", plan(cautions=(caution("preliminary", origins=origins),)))
    assert found["status"] == "final"
    assert found["severity"] == "moderate"
    assert found["code"]["coding"] == [
        {"system": f"{BASE}/CodeSystem/caution", "code": "preliminary"}
    ]
    assert found["implicated"] == [{"reference": "Observation/f1"}]
    assert found["detail"].startswith('"Convulsions in this illness" is a preliminary record')


def test_a_caution_about_a_medicine_implicates_its_requests_and_no_other() -> None:
    about = caution("preliminary", medicine="gentamicin", origins=(Origin("Observation/w1"),))
    planned = plan(
        choice="refer-or-here",
        orders=(gentamicin("refer"), gentamicin(), amoxicillin()),
        cautions=(about,),
    )
    made = decision(planned=planned)
    (found,) = every("DetectedIssue", made)
    requests = [each["id"] for each in every("MedicationRequest", made)]
    assert found["implicated"] == [
        {"reference": "Observation/w1"},
        {"reference": f"urn:uuid:{requests[0]}"},
        {"reference": f"urn:uuid:{requests[1]}"},
    ]


def test_a_caution_about_no_resource_implicates_none() -> None:
    found = only("DetectedIssue", plan(cautions=(caution("preliminary"),)))
    assert not {"implicated", "mitigation"} & set(found)


def test_what_to_do_about_a_caution_is_its_mitigation() -> None:
    action = Message("slip.grams")
    found = only("DetectedIssue", plan(cautions=(caution("preliminary", action=action),)))
    assert found["mitigation"] == [{"action": {"text": "It may be in grams."}}]


def test_two_cautions_of_one_kind_are_two_resources() -> None:
    planned = plan(cautions=(caution("preliminary"), caution("preliminary", "low")))
    first, second = every("DetectedIssue", decision(planned=planned))
    assert first["id"] != second["id"]


def test_provenance_covers_everything_and_names_the_content() -> None:
    made = severe()
    bundle = judged(write(made, base=BASE, language=""))
    (found,) = resources(bundle, "Provenance")
    others = [e["fullUrl"] for e in bundle["entry"] if e["resource"] is not found]
    assert sorted(each["reference"] for each in found["target"]) == sorted(others)
    assert found["recorded"] == "2026-03-04T09:30:00+03:00"
    protocol, content = (each["what"]["identifier"]["value"] for each in found["entity"])
    assert protocol == f"{BASE}/PlanDefinition/sick-young-infant|{made.protocol.version}"
    assert content == made.protocol.digest
