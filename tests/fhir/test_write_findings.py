"""Conditions and the GuidanceResponse: what was found, on what evidence, what is still open."""

from typing import Any

from cds_service.case import Answer, Origin
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Missing
from cds_service.engine.model import Decision
from cds_service.fhir.write import write
from tests.changing import replace
from tests.fhir.decisions import (
    BASE,
    assessment,
    decision,
    fever,
    finding,
    held,
    plan,
    severe,
    undecided,
)
from tests.fhir.judge import judged, resources

PREVAILS = "The national protocol prevails."


def first(made: Decision, kind: str) -> dict[str, Any]:
    """The first resource of a type."""
    return resources(judged(write(made, base=BASE, language="")), kind)[0]


def condition(*tests: Any, **changes: Any) -> dict[str, Any]:
    """The Condition of a class that rests on these tests."""
    return first(decision(assessment(held("pneumonia", *tests, **changes))), "Condition")


def test_a_class_is_a_provisional_encounter_diagnosis() -> None:
    found = condition(fever())
    assert found["code"]["coding"] == [
        {"system": f"{BASE}/CodeSystem/classification", "code": "pneumonia"}
    ]
    assert found["category"][0]["coding"][0]["code"] == "encounter-diagnosis"
    assert found["verificationStatus"]["coding"][0]["code"] == "provisional"


def test_an_open_row_above_makes_it_differential_and_is_named() -> None:
    found = condition(fever(), open_above=("critical-illness",))
    assert found["verificationStatus"]["coding"][0]["code"] == "differential"
    assert "Still undecided above it: Critical illness" in found["note"][0]["text"]


def test_evidence_points_at_the_callers_own_resources() -> None:
    evidence = condition(fever(), finding("feeding-poorly"))["evidence"]
    assert [each["reference"] for each in evidence[0]["detail"]] == [
        "Observation/t1",
        "urn:uuid:0c63e0a9-5b45-4b8f-b3a8-1c2f6f6d9a01",
    ]
    assert evidence[1]["detail"] == [{"reference": "Observation/f1"}]


def test_evidence_is_coded_as_it_was_asked() -> None:
    evidence = condition(fever(), finding("feeding-poorly"))["evidence"]
    # LOINC 8328-7: axillary temperature (clinical content, section 1)
    assert evidence[0]["code"][0]["coding"] == [{"system": "http://loinc.org", "code": "8328-7"}]
    assert evidence[1]["code"][0]["coding"] == [
        {"system": f"{BASE}/CodeSystem/finding", "code": "feeding-poorly"}
    ]


def test_age_is_evidence_in_words() -> None:
    age = replace(finding("feeding-poorly"), fact="age")
    assert "coding" not in condition(age)["evidence"][0]["code"][0]


def test_a_resource_without_address_is_named_in_words() -> None:
    evidence = condition(replace(finding("feeding-poorly"), origins=(Origin(),)))["evidence"]
    assert evidence[0]["detail"][0]["display"].startswith("Not feeding well")


def test_evidence_never_says_where_in_the_request_a_resource_lay() -> None:
    origin = Origin("", "Bundle.entry[3].resource")
    evidence = condition(replace(finding("feeding-poorly"), origins=(origin,)))["evidence"]
    assert "entry[3]" not in str(evidence)


def test_a_negative_answer_is_evidence_only_where_nothing_was_found() -> None:
    no = finding("convulsions", Answer.NO)
    assert len(condition(fever(), no)["evidence"]) == 1
    assert len(condition(no)["evidence"]) == 1


def test_a_fact_without_any_resource_still_says_what_it_was() -> None:
    bare = replace(finding("feeding-poorly"), origins=())
    assert "detail" not in condition(bare)["evidence"][0]


def test_a_class_without_tests_has_no_evidence() -> None:
    assert "evidence" not in condition()


def test_the_trace_names_rule_fact_answer_and_source() -> None:
    lines = condition(fever())["note"][0]["text"].splitlines()
    assert lines[0] == "Rule pneumonia (P20, A24; words seen)"
    assert lines[1].startswith("Temperature at least 38")
    assert lines[1].endswith(": yes (P20, A24; words seen)")


def test_the_guidance_names_the_protocol_with_its_version() -> None:
    found = first(severe(), "GuidanceResponse")
    assert found["moduleCanonical"].startswith(f"{BASE}/PlanDefinition/sick-young-infant|")
    assert found["status"] == "data-requested"
    assert found["id"] == severe().id


def test_the_guidance_leads_to_the_care_plan() -> None:
    bundle = judged(write(severe(), base=BASE, language=""))
    plan_id = resources(bundle, "CarePlan")[0]["id"]
    assert resources(bundle)[0]["result"] == {"reference": f"urn:uuid:{plan_id}"}


def test_what_was_not_recorded_is_said() -> None:
    (note,) = first(severe(), "GuidanceResponse")["note"]
    assert "Stops breathing (apnoea) or gasps; Oxygen saturation" in note["text"]


def test_an_undecided_row_is_named_with_what_it_needs() -> None:
    texts = [note["text"] for note in first(undecided(), "GuidanceResponse")["note"]]
    assert texts[0].startswith(
        "Not decided yet: Clinical severe infection. Still needed: Not feeding"
    )
    assert texts[1].startswith("Find out: Not feeding well")


def test_a_missing_fact_is_a_data_requirement_that_a_system_can_answer() -> None:
    sign, measure, age = first(undecided(), "GuidanceResponse")["dataRequirement"]
    assert sign["codeFilter"] == [
        {
            "path": "code",
            "code": [{"system": f"{BASE}/CodeSystem/finding", "code": "feeding-poorly"}],
        }
    ]
    assert [each["code"] for each in measure["codeFilter"][0]["code"]] == ["8328-7", "8310-5"]
    assert age == {"type": "Patient", "mustSupport": ["birthDate"]}


def test_a_measure_is_asked_for_by_its_loinc_code_whatever_it_is_called() -> None:
    why = Message("missing.weigh-again")
    missing = (Missing("finding", "gestational-age", why, required=True),)
    (asked,) = first(decision(planned=plan(missing=missing)), "GuidanceResponse")["dataRequirement"]
    assert asked["codeFilter"][0]["code"][0]["system"] == "http://loinc.org"


def test_the_care_plan_says_who_decides_and_what_was_found() -> None:
    found = first(severe(), "CarePlan")
    assert found["note"] == [
        {"text": f"Proposal for a licensed health worker, who decides. {PREVAILS}"}
    ]
    assert found["description"] == "Clinical severe infection"
    assert len(found["addresses"]) == 1
