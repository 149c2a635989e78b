"""The body of a request, its entries, and whose they are."""

import pytest

from cds_service.case import Answer, Origin
from cds_service.errors import MalformedRequest, UnusableRequest
from cds_service.fhir import lookup
from tests.changing import replace
from tests.fhir.sending import (
    AS_OF,
    OWN,
    SERVER,
    Json,
    bundle,
    case,
    concept,
    entry,
    finding,
    infant,
    parameters,
    patient,
    protocol,
    reasons,
    request,
    weight,
    without_places,
)


def test_parameters_and_the_bare_bundle_say_the_same() -> None:
    data = bundle(*infant(weight()))
    bare, wrapped = request(data).case, request(parameters(data)).case
    assert bare.findings
    assert without_places(bare) == replace(without_places(wrapped), visit_end=bare.visit_end)


def test_the_language_is_the_callers() -> None:
    data = bundle(patient())
    code = {"name": "userLanguage", "valueCode": "sw"}
    coded = {"name": "userLanguage", "valueCodeableConcept": concept("urn:ietf:bcp:47", "pt-MZ")}
    assert request(data).language == ""
    assert request(parameters(data, code)).language == "sw"
    assert request(parameters(data, coded)).language == "pt-MZ"


def test_a_language_that_is_none_is_named_and_left() -> None:
    wrong = {"name": "userLanguage", "valueCode": "Kiswahili please"}
    read = request(parameters(bundle(patient()), wrong))
    assert read.language == ""
    assert reasons(read.case) == ["language-not-understood"]


def test_an_unknown_parameter_is_named() -> None:
    read = request(parameters(bundle(patient()), {"name": "weight", "valueString": "3.4"}))
    (refusal,) = read.case.refusals
    assert refusal.reason == "parameter-unknown"
    assert refusal.origin == Origin("", "Parameters.parameter[2]")


@pytest.mark.parametrize("name", ["subject", "encounter", "asOf", "userLanguage", "data"])
def test_a_parameter_given_twice_is_refused(name: str) -> None:
    sent: Json = {"name": name, "valueString": "Patient/infant-1", "valueCode": "en"}
    if name == "asOf":
        sent["valueDateTime"] = AS_OF
    with pytest.raises(MalformedRequest):
        request(parameters(bundle(patient()), sent, sent))


@pytest.mark.parametrize(
    "name", ["subject", "encounter", "asOf", "userLanguage", "availableMedication"]
)
def test_a_parameter_of_the_wrong_type_is_refused(name: str) -> None:
    sent = {"name": name, "valueInteger": 7}
    body = parameters(bundle(patient()), sent)
    body["parameter"] = [one for one in body["parameter"] if one["name"] != "asOf" or one is sent]
    with pytest.raises(MalformedRequest):
        request(body)


def stock(*codes: str, system: str = f"{OWN}/formulation") -> list[Json]:
    return [
        {"name": "availableMedication", "valueCodeableConcept": concept(system, code)}
        for code in codes
    ]


def test_the_stock_is_unknown_until_something_is_said_of_it() -> None:
    forms = [form.code for _, form in protocol().formulations][:2]
    data = bundle(patient())
    assert request(parameters(data)).case.stock is None
    assert request(parameters(data, *stock(*forms))).case.stock == frozenset(forms)


def test_the_stock_may_be_coded_under_any_base() -> None:
    form = protocol().formulations[0][1].code
    sent = stock(form, system="http://upper-brenna.example/cds/CodeSystem/formulation")
    assert request(parameters(bundle(patient()), *sent)).case.stock == {form}


def test_a_product_that_is_not_known_is_named_by_its_code() -> None:
    read = request(parameters(bundle(patient()), *stock("amoxicillin-of-old")))
    (refusal,) = read.case.refusals
    assert (refusal.reason, refusal.details) == ("stock-unknown", (("code", "amoxicillin-of-old"),))
    assert read.case.stock == frozenset()


def test_a_product_in_words_is_not_understood() -> None:
    sent = {"name": "availableMedication", "valueCodeableConcept": {"text": "the pink syrup"}}
    assert reasons(request(parameters(bundle(patient()), sent)).case) == ["stock-not-understood"]


def test_words_in_place_of_a_code_are_not_repeated() -> None:
    read = request(parameters(bundle(patient()), *stock("Amina's syrup")))
    assert read.case.refusals[0].details == (("code", "?"),)


def test_a_parameter_with_a_modifier_extension_is_not_used() -> None:
    rule = [{"url": "http://upper-brenna.example/not"}]
    sent = {"name": "subject", "valueString": "Patient/infant-1", "modifierExtension": rule}
    product = {**stock(protocol().formulations[0][1].code)[0], "modifierExtension": rule}
    read = request(parameters(bundle(patient()), sent, product)).case
    assert reasons(read) == ["parameter-unknown", "stock-not-understood"]
    data = {"name": "data", "resource": bundle(patient()), "modifierExtension": rule}
    with pytest.raises(UnusableRequest):
        request({"resourceType": "Parameters", "parameter": [data]})


def test_all_malformed_resources_are_named_at_once() -> None:
    unread = {**finding("convulsions"), "code": 7}
    body = bundle(patient(gender="alien"), weight(status="banana"), unread)
    with pytest.raises(MalformedRequest) as caught:
        request(body)
    assert [problem.expression for problem in caught.value.problems] == [
        "Bundle.entry[0].resource.gender",
        "Bundle.entry[1].resource.status",
        "Bundle.entry[2].resource.code",
    ]


def test_resources_of_other_types_are_accepted() -> None:
    others = (
        {"resourceType": "Location", "id": "tolm-ford"},
        {"resourceType": "Unheard", "id": "x"},
    )
    assert request(bundle(*infant(weight()), *others)).case.refusals == ()


@pytest.mark.parametrize("others", [[], [entry({"resourceType": "Unheard", "id": "x"})]])
def test_an_entry_without_a_resource_is_accepted(others: list[Json]) -> None:
    gone = {"fullUrl": f"{SERVER}/Observation/gone"}
    assert request(bundle(entry=[entry(patient()), gone, *others])).case.refusals == ()


def test_data_that_is_no_resource_is_refused() -> None:
    with pytest.raises(MalformedRequest) as caught:
        request({"resourceType": "Parameters", "parameter": [{"name": "data", "valueCode": "x"}]})
    assert caught.value.problems[0].expression == "Parameters.parameter[0]"


@pytest.mark.parametrize("name", ["a b", "ä", "a/b", "a_b", " ", "a\n"])
def test_an_id_has_letters_digits_dashes_and_dots_only(name: str) -> None:
    with pytest.raises(MalformedRequest) as caught:
        request(bundle(patient(), weight(), finding("convulsions", id=name)))
    (problem,) = caught.value.problems
    assert problem.expression == "Bundle.entry[2].resource.id"


# --- The same resource twice ---


def test_the_same_resource_sent_twice_counts_once() -> None:
    body = bundle(patient(), weight())
    body["entry"].append(body["entry"][1])
    assert len(request(body).case.measurements) == 1


def test_resources_of_two_servers_may_share_an_id() -> None:
    body = bundle(patient(), weight(3.4))
    there = {"reference": f"{SERVER}/Patient/infant-1"}
    body["entry"].append(
        {
            "fullUrl": "http://upper-brenna.example/fhir/Observation/weight-1",
            "resource": weight(3.5, subject=there),
        }
    )
    assert len(request(body).case.measurements) == 2


# --- Whose it is ---


@pytest.mark.parametrize(
    "reference",
    ["Patient/infant-1", "Patient/infant-1/_history/4", f"{SERVER}/Patient/infant-1"],
)
def test_a_subject_may_be_relative_versioned_or_absolute(reference: str) -> None:
    read = case(patient(), weight(subject={"reference": reference}))
    assert (len(read.measurements), read.refusals) == (1, ())


def test_a_subject_may_be_a_uuid() -> None:
    name = "urn:uuid:4f9a8f1e-6f53-4a2c-9d7e-0d0c6a1b2c3d"
    body = bundle(patient(), weight(subject={"reference": name}))
    body["entry"][0]["fullUrl"] = name
    read = request(body).case
    assert read.subject == name
    assert len(read.measurements) == 1


def test_a_patient_without_a_full_url_is_known_by_type_and_id() -> None:
    body = bundle(patient(), weight())
    del body["entry"][0]["fullUrl"]
    read = request(body).case
    assert (read.subject, len(read.measurements)) == ("Patient/infant-1", 1)


def test_a_patient_without_any_name_has_no_facts() -> None:
    body = bundle(patient(), weight())
    del body["entry"][0]["fullUrl"]
    del body["entry"][0]["resource"]["id"]
    read = request(body).case
    assert (read.subject, reasons(read)) == ("", ["subject-other"])


@pytest.mark.parametrize("name", ["infant-2", "Patient/infant-2", f"{SERVER}/Patient/infant-2"])
def test_the_subject_says_which_of_two_infants(name: str) -> None:
    data = bundle(patient(), patient(id="infant-2", birthDate="2026-04-30"), weight())
    read = request(parameters(data, {"name": "subject", "valueString": name})).case
    assert read.subject == f"{SERVER}/Patient/infant-2"
    assert reasons(read) == ["subject-other"]


def test_the_subject_may_be_a_reference() -> None:
    sent = {"name": "subject", "valueReference": {"reference": "Patient/infant-1"}}
    assert request(parameters(bundle(patient()), sent)).case.subject.endswith("infant-1")


def test_a_record_that_is_not_in_use_or_replaced_is_doubted() -> None:
    link = [{"type": "replaced-by", "other": {"reference": "Patient/infant-7"}}]
    assert reasons(case(patient(active=False, link=link))) == [
        "patient-inactive",
        "patient-replaced",
    ]
    assert reasons(case(patient(active=True, link=[{**link[0], "type": "seealso"}]))) == []


@pytest.mark.parametrize(
    ("gender", "sex"), [("female", "female"), ("male", "male"), ("unknown", None), (..., None)]
)
def test_sex_is_male_female_or_unknown(gender: object, sex: str | None) -> None:
    assert case(patient(gender=gender)).sex == sex


def test_an_infant_who_is_said_not_to_be_dead_is_alive() -> None:
    assert case(patient(deceasedBoolean=False)).age is not None


# --- Where facts come from ---


def test_a_fact_carries_the_callers_own_reference_and_place() -> None:
    body = bundle(patient(), weight(), finding("convulsions"))
    del body["entry"][1]["fullUrl"]
    del body["entry"][2]["fullUrl"], body["entry"][2]["resource"]["id"]
    read = request(body).case
    assert read.subject_origin == Origin(f"{SERVER}/Patient/infant-1", "Bundle.entry[0].resource")
    assert read.measurements[0].origin == Origin("Observation/weight-1", "Bundle.entry[1].resource")
    assert read.findings[0].origin == Origin("", "Bundle.entry[2].resource")


# --- Codes are looked up once for each protocol ---


def test_the_look_up_of_a_protocol_is_made_once() -> None:
    assert lookup.of(protocol()) is lookup.of(protocol())


def test_another_protocol_of_the_same_digest_has_its_own_look_up() -> None:
    twin = replace(protocol(), title="Another")
    assert lookup.of(twin).protocol is twin
    assert lookup.of(protocol()).protocol is protocol()


def test_look_ups_of_many_protocols_are_not_kept_for_ever() -> None:
    for number in range(40):
        lookup.of(replace(protocol(), digest=str(number)))
    assert lookup.of(protocol()).protocol is protocol()


def test_no_answer_is_ever_taken_for_granted() -> None:
    assert all(one.answer is Answer.NO for one in case(*infant()).findings)
    assert case(patient()).findings == ()
