"""The Questionnaire asks what the protocol asks; a response to it says what Observations say.

FHIR R4 questionnaire.html and questionnaireresponse.html; invariants que-2, que-7, que-12 of the
definitions in hl7.fhir.r4.core 4.0.1.
"""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.case import Answer
from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.errors import UnusableRequest
from cds_service.fhir.artefacts import artefacts
from cds_service.fhir.write import write
from tests.fhir import sending
from tests.fhir.sending import OWN, SEEN, Json, case, patient, protocol, reasons, request

BASE = "http://cds-service.example/fhir"
FORM = artefacts(protocol(), BASE)["Questionnaire", "sick-young-infant-questions"]
ANSWER = f"{OWN}/answer"
SITES = {"91470000": "axillary", "34402009": "rectal"}


def items(node: Json = FORM) -> Iterator[Json]:
    """Every item at any depth."""
    for item in node.get("item", []):
        yield item
        yield from items(item)


ITEMS = {item["linkId"]: item for item in items()}


def yes_no(code: str) -> Json:
    return {"valueCoding": {"system": ANSWER, "code": code}}


def response(*answered: Json, **changes: Any) -> Json:
    form = {
        "resourceType": "QuestionnaireResponse",
        "id": "form-1",
        "questionnaire": f"{FORM['url']}|{FORM['version']}",
        "status": "completed",
        "subject": {"reference": "Patient/infant-1"},
        "authored": SEEN,
        "item": list(answered),
    }
    made = sending.changed(form, changes)
    get_fhir_model_class("QuestionnaireResponse").model_validate(made)
    return made


def answer(link_id: str, *values: Json) -> Json:
    return {"linkId": link_id, "answer": list(values)}


def test_there_is_one_item_for_each_sign_and_measure_and_no_other_question() -> None:
    asked = {link for link in ITEMS if not link.startswith("group.") and "." not in link}

    assert asked == {*protocol().sign_by_code, *protocol().measure_by_code}
    assert len(ITEMS) == sum(1 for _ in items())  # que-2: linkIds are unique


@pytest.mark.parametrize("sign", protocol().signs, ids=lambda sign: sign.code)
def test_a_sign_has_three_answers_and_its_codes(sign: Any) -> None:
    item = ITEMS[sign.code]

    assert item["type"] == "choice"
    assert [each["valueCoding"]["code"] for each in item["answerOption"]] == [
        "yes", "no", "not-assessed",
    ]  # fmt: skip
    assert [each["code"] for each in item["code"]] == [sign.code, *sign.snomed]
    assert item["text"] == protocol().text_by_key[f"sign.{sign.code}"]
    said = item.get("enableWhen", [])
    for when in said:
        assert when["question"] in ITEMS
        assert ("answerBoolean" in when) == (when["operator"] == "exists")  # que-7
    assert ("enableBehavior" in item) == (len(said) > 1)  # que-12


@pytest.mark.parametrize("measure", protocol().measures, ids=lambda measure: measure.code)
def test_a_measure_has_its_units_and_codes(measure: Any) -> None:
    item = ITEMS[measure.code]

    units = [each["valueCoding"]["code"] for each in item["extension"]]
    assert units == list(measure.units)
    assert [each["code"] for each in item["code"]] == list(measure.loinc)
    assert f"{measure.code}.time" in ITEMS
    assert (f"{measure.code}.site" in ITEMS) == bool(measure.sites_that_exclude)
    assert item.get("repeats", False) is (measure.repeat_within is not None)


def test_what_is_for_some_infants_only_is_enabled_by_the_answer_that_says_so() -> None:
    def enabled_by(code: str) -> list[tuple[str, str]]:
        return [(w["question"], w["operator"]) for w in ITEMS[code].get("enableWhen", [])]

    assert enabled_by("sunken-eyes") == [("diarrhoea", "=")]
    assert enabled_by("umbilical-redness-spreading") == [
        ("umbilicus-red", "="), ("umbilicus-pus", "="),
    ]  # fmt: skip
    assert enabled_by("feels-hot") == [("temperature", "exists")]
    assert enabled_by("convulsions") == enabled_by("diarrhoea") == []


def test_signs_stand_in_the_group_of_the_first_table_that_tests_them() -> None:
    groups = {group["linkId"]: [item["linkId"] for item in group["item"]] for group in FORM["item"]}

    assert groups["group.dehydration"][0] == "diarrhoea"
    assert "feeding-well" in groups["group.bacterial-infection"]
    assert "mother-hiv-positive" in groups["group.hiv"]
    assert "penicillin-allergy" in groups["group.circumstances"]


# --- reading -------------------------------------------------------------------------------------

KNOWN = sorted(protocol().sign_by_code)
UNITS = {measure.code: measure for measure in protocol().measures}
MINUTES = st.integers(0, 29)


@st.composite
def told(draw: st.DrawFn) -> list[tuple[str, Any, int | None, str | None]]:
    """What is said: code, value, minutes before SEEN (None: as the form), site."""
    signs = draw(
        st.lists(
            st.tuples(st.sampled_from(KNOWN), st.sampled_from(Answer)), min_size=1, max_size=25
        )
    )
    said: list[tuple[str, Any, int | None, str | None]] = [
        (code, value, draw(st.none() | MINUTES), None) for code, value in signs
    ]
    for code in draw(st.lists(st.sampled_from(sorted(UNITS)), unique=True, max_size=6)):
        measure = UNITS[code]
        low, high = (int(limit.value) for limit in measure.possible)
        value = draw(st.integers(max(low, 0), min(high, 130)).map(lambda n: n / 2 + 1))
        site = draw(st.none() | st.sampled_from(sorted(SITES))) if code == "temperature" else None
        said.append((code, value, draw(MINUTES), site))
    return said


def at(minutes: int | None) -> str:
    return (datetime.fromisoformat(SEEN) - timedelta(minutes=minutes or 0)).isoformat()


def as_observation(index: int, said: tuple[str, Any, int | None, str | None]) -> Json:
    code, value, minutes, site = said
    if isinstance(value, Answer):
        told: Json = {"valueBoolean": value is Answer.YES}
        if value is Answer.NOT_ASSESSED:
            told = {"dataAbsentReason": {"text": "not asked"}}
        return sending.finding(code, id=f"o-{index}", effectiveDateTime=at(minutes), **told)
    measure = UNITS[code]
    loinc = measure.loinc[-1]
    where = {"bodySite": sending.concept(sending.SNOMED, site)} if site else {}
    made = sending.measured(f"o-{index}", loinc, value, measure.unit, **where)
    return made | {"effectiveDateTime": at(minutes)}


def as_item(said: tuple[str, Any, int | None, str | None]) -> Json:
    code, value, minutes, site = said
    below = [] if minutes is None else [answer(f"{code}.time", {"valueDateTime": at(minutes)})]
    if site:
        coding = {"system": sending.SNOMED, "code": site}
        below.append(answer(f"{code}.site", {"valueCoding": coding}))
    told = (
        yes_no(value.value)
        if isinstance(value, Answer)
        else {"valueQuantity": sending.quantity(value, UNITS[code].unit)}
    )
    return answer(code, told | ({"item": below} if below else {}))


def nameless(*resources: Json) -> bytes:
    """The request without ids and addresses of what tells of the infant."""
    entries = [sending.entry(patient())]
    entries += [{"resource": {k: v for k, v in r.items() if k != "id"}} for r in resources]
    return sending.text(
        sending.parameters({"resourceType": "Bundle", "type": "collection", "entry": entries})
    )


@settings(deadline=None, max_examples=60)
@given(told())
def test_a_form_and_observations_that_say_the_same_get_the_same_bytes(said: list[Any]) -> None:
    observed = request(nameless(*(as_observation(i, each) for i, each in enumerate(said)))).case
    filled = request(nameless(response(*(as_item(each) for each in said)))).case

    assert sending.without_places(filled) == sending.without_places(observed)
    one, other = (decide(each, protocol()) for each in (observed, filled))
    assert write(one, base=BASE, language="en") == write(other, base=BASE, language="en")


def test_the_groups_of_the_form_are_passed_through() -> None:
    group = {"linkId": "group.jaundice", "item": [answer("jaundice", yes_no("yes"))]}

    (found,) = case(patient(), response(group)).findings
    assert (found.code, found.answer) == ("jaundice", Answer.YES)
    assert found.origin.reference.endswith("QuestionnaireResponse/form-1")
    assert found.origin.expression.endswith(".item[0].item[0].answer[0]")


@pytest.mark.parametrize(
    ("value", "meant"),
    [
        (yes_no("yes"), Answer.YES),
        (yes_no("no"), Answer.NO),
        (yes_no("not-assessed"), Answer.NOT_ASSESSED),
        ({"valueBoolean": True}, Answer.YES),
        ({"valueCoding": {"system": f"{sending.HL7}/v2-0136", "code": "N"}}, Answer.NO),
        ({"valueCoding": {"system": sending.SNOMED, "code": "52101004"}}, Answer.YES),
        (
            {"valueCoding": {"system": f"{sending.HL7}/data-absent-reason", "code": "not-asked"}},
            Answer.NOT_ASSESSED,
        ),
    ],
)
def test_our_own_answers_and_the_standard_ones_are_read(value: Json, meant: Answer) -> None:
    (found,) = case(patient(), response(answer("apnoea", value))).findings
    assert found.answer is meant


@pytest.mark.parametrize(
    "value",
    [
        yes_no("perhaps"),
        {"valueString": "yes"},
        {"valueInteger": 1},
        {"valueCoding": {"system": "http://elsewhere.example", "code": "yes"}},
        {"valueQuantity": sending.quantity(1, "kg")},
    ],
)
def test_an_answer_that_is_not_understood_leaves_the_question_open(value: Json) -> None:
    read = case(patient(), response(answer("apnoea", value)))

    assert read.findings == ()
    assert [(one.reason, one.code) for one in read.refusals] == [
        ("answer-not-understood", "apnoea")
    ]


@pytest.mark.parametrize("value", [{"valueDecimal": 3.4}, {"valueString": "3.4 kg"}, yes_no("yes")])
def test_a_measure_without_a_unit_is_not_guessed(value: Json) -> None:
    read = case(patient(), response(answer("weight", value)))

    assert read.measurements == ()
    assert [(one.reason, one.code) for one in read.refusals] == [("quantity-missing", "weight")]


def test_an_unknown_question_is_reported_and_refused_under_strict_handling() -> None:
    form = response(answer("apnea", yes_no("yes")), answer("apnoea", yes_no("no")))
    read = case(patient(), form)

    (refusal,) = read.refusals
    assert (refusal.reason, dict(refusal.details)) == ("question-unknown", {"code": "apnea"})
    assert len(read.findings) == 1
    body = write(decide(read, protocol()), base=BASE, language="en")
    assert b"The question apnea is not one of" in body
    with pytest.raises(UnusableRequest):
        request(sending.parameters(sending.bundle(patient(), form)), strict=True)


def test_conflicting_answers_are_handled_as_other_conflicts_are() -> None:
    against = sending.finding("convulsions", valueBoolean=False)
    read = case(patient(), response(answer("convulsions", yes_no("yes"))), against)

    made = decide(read, protocol())
    assert "contradiction-yes-acts" in {caution.code for caution in made.plan.cautions}
    assert "critical-illness" in {held.code for held in made.assessment.classes}


def test_two_counts_of_one_form_are_two_counts() -> None:
    counts = [{"valueQuantity": sending.quantity(64, "/min")}] * 2
    read = case(*sending.infant()[:10], response(answer("respiratory-rate", *counts)),
                sending.measured("temperature-1", "8328-7", 37.1, "Cel"))  # fmt: skip

    assert len(read.measurements) == 3
    held = {each.code for each in decide(read, protocol()).assessment.classes}
    assert "pneumonia" in held


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"status": "stopped"}, "status-not-usable"),
        ({"status": "entered-in-error"}, "status-not-usable"),
        ({"questionnaire": ...}, "form-unknown"),
        ({"questionnaire": "http://elsewhere.example/Questionnaire/other"}, "form-unknown"),
        ({"subject": ...}, "subject-missing"),
        ({"subject": {"reference": "Patient/another"}}, "subject-other"),
    ],
)
def test_a_form_that_cannot_be_used_is_said_to_be(changes: Json, reason: str) -> None:
    read = case(patient(), response(answer("apnoea", yes_no("no")), **changes))

    assert read.findings == ()
    open_now = "" if reason == "subject-other" or "error" in str(changes) else "apnoea"
    assert [(one.reason, one.code) for one in read.refusals] == [(reason, open_now)]


def test_another_form_without_questions_of_ours_is_left_out() -> None:
    other = response(answer("q1", {"valueString": "x"}), questionnaire="http://x.example/Q/1")

    assert case(patient(), other).refusals == ()


def test_a_form_in_progress_is_used_with_a_caution() -> None:
    read = case(patient(), response(answer("apnoea", yes_no("yes")), status="in-progress"))

    assert read.findings[0].preliminary
    cautions = {each.code for each in decide(read, protocol()).plan.cautions}
    assert "preliminary" in cautions


def test_a_time_that_is_none_is_refused() -> None:
    told = yes_no("yes") | {"item": [answer("penicillin-allergy.time", {"valueString": "then"})]}

    assert reasons(case(patient(), response(answer("penicillin-allergy", told)))) == [
        "time-not-understood"
    ]


def test_a_site_in_other_words_never_counts_as_the_armpit() -> None:
    told = {"valueQuantity": sending.quantity(36.9, "Cel")}
    told["item"] = [answer("temperature.site", {"valueString": "somewhere"})]  # type: ignore[assignment]

    (read,) = case(patient(), response(answer("temperature", told))).measurements
    assert read.site == "other"


def test_every_edition_has_a_questionnaire_of_its_own() -> None:
    other = artefacts(load(edition="2014.1"), BASE)["Questionnaire", "sick-young-infant-questions"]

    assert (other["url"], other["version"]) == (FORM["url"], "2014.1")
    assert json.dumps(other) != json.dumps(FORM)
