"""What was sent but cannot be used never looks as if it was not sent: its code stays open."""

import pytest

from cds_service.errors import UnusableRequest
from tests.fhir.sending import (
    ATC,
    HL7,
    OWN,
    SNOMED,
    Json,
    both,
    bundle,
    case,
    concept,
    finding,
    measured,
    observation,
    patient,
    protocol,
    quantity,
    request,
    weight,
)
from tests.fhir.test_read_conditions import (
    FIT,
    PENICILLIN,
    allergy,
    allergy_clinical,
    allergy_verified,
    clinical,
    condition,
    verified,
)
from tests.fhir.test_read_medicines import dose, order, statement

RULE = [{"url": "http://upper-brenna.example/not-so", "valueBoolean": True}]
SCHEDULE = {"event": ["2026-05-01T09:30:00+02:00"]}
TOMORROW = "2026-05-02"


def opened(*resources: Json) -> list[tuple[str, str]]:
    """The refusals with their reason and what they are about; nothing else is read."""
    read = case(patient(), *resources)
    assert (read.findings, read.measurements, read.in_use) == ((), (), ())
    return [(one.reason, one.code) for one in read.refusals]


WHATEVER_IT_IS: list[tuple[Json, str]] = [
    ({"status": "registered"}, "status-not-usable"),
    ({"status": "unknown"}, "status-not-usable"),
    ({"effectiveDateTime": TOMORROW}, "future"),
    ({"effectiveDateTime": ..., "effectiveTiming": SCHEDULE}, "time-not-understood"),
    ({"subject": ...}, "subject-missing"),
    ({"subject": {"identifier": {"value": "7"}}}, "subject-missing"),
    ({"subject": {"reference": "#infant-1"}}, "subject-missing"),
    ({"modifierExtension": RULE}, "modifier-extension"),
    ({"implicitRules": "http://upper-brenna.example/r"}, "modifier-extension"),
]


@pytest.mark.parametrize(("changes", "reason"), WHATEVER_IT_IS)
def test_what_an_unusable_observation_is_about_is_open(changes: Json, reason: str) -> None:
    fit = finding("convulsions", valueBoolean=True)
    seizure = {**fit, "code": concept(SNOMED, "91175000")}
    for one, code in ((fit, "convulsions"), (seizure, "convulsions"), (weight(), "weight")):
        sent = {key: value for key, value in {**one, **changes}.items() if value is not ...}
        assert opened(sent) == [(reason, code)]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"valueBoolean": ...}, "value-missing"),
        ({"valueBoolean": ..., "valueString": "yes"}, "answer-not-understood"),
    ],
)
def test_a_question_without_an_answer_that_is_read_is_open(changes: Json, reason: str) -> None:
    sent = {**finding("convulsions", valueBoolean=True), **changes}
    sent = {key: value for key, value in sent.items() if value is not ...}
    assert opened(sent) == [(reason, "convulsions")]


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ({**quantity(3.2, "kg"), "comparator": "<"}, "comparator"),
        ({"value": 3.2, "unit": "kg"}, "unit-not-read"),
        (quantity(32000, "kg"), "impossible"),
        ({"unit": "kg"}, "quantity-missing"),
    ],
)
def test_a_measure_without_a_value_that_is_read_is_open(value: Json, reason: str) -> None:
    assert opened(weight(valueQuantity=value)) == [(reason, "weight")]


@pytest.mark.parametrize(
    ("loinc", "code", "unit", "measure"),
    [
        ("29463-7", "kg", "lb", "weight"),
        ("29463-7", "kg", "Pounds", "weight"),
        ("29463-7", "g", "kg", "weight"),
        ("29463-7", "kg", "g", "weight"),
        ("29463-7", "[lb_av]", "kg", "weight"),
        ("29463-7", "kg", "oz", "weight"),
        ("8328-7", "Cel", "°F", "temperature"),
        ("8328-7", "[degF]", "C", "temperature"),
        ("11884-4", "wk", "days", "gestational-age"),
    ],
)
def test_a_unit_in_words_that_is_another_than_its_code_is_refused(
    loinc: str, code: str, unit: str, measure: str
) -> None:
    value = {**quantity(36, code), "unit": unit}
    assert opened(measured("m", loinc, 0, code, valueQuantity=value)) == [
        ("units-contradict", measure)
    ]


@pytest.mark.parametrize(
    ("loinc", "code", "unit"),
    [
        ("29463-7", "kg", "Kilograms"),
        ("29463-7", "[lb_av]", "lbs"),
        ("29463-7", "kg", "kg (naked)"),
        ("59408-5", "%", "percent"),
        ("8328-7", "[degF]", "F"),
        ("9279-1", "/min", "breaths/min"),
        ("9279-1", "{breaths}/min", "/min"),
    ],
)
def test_a_unit_in_words_that_agrees_or_is_not_known_changes_nothing(
    loinc: str, code: str, unit: str
) -> None:
    value = {**quantity(99, code), "unit": unit}
    read = case(patient(), measured("m", loinc, 0, code, valueQuantity=value))
    assert (len(read.measurements), read.refusals) == (1, ())


def test_all_that_an_ambiguous_code_may_mean_is_open() -> None:
    code = both(FIT, concept(f"{OWN}/finding", "jaundice"))
    sent = observation("f", code, valueBoolean=True)
    both_open = [("code-ambiguous", "convulsions"), ("code-ambiguous", "jaundice")]
    assert opened(sent) == both_open
    assert opened({**sent, "status": "cancelled"}) == [("code-ambiguous", "")]


@pytest.mark.parametrize("words", ["convulsions", "CONVULSIONS", " Convulsions in this illness "])
def test_a_finding_in_words_only_is_open(words: str) -> None:
    sent = observation("f", {"text": words}, valueBoolean=True)
    assert opened(sent) == [("code-only-text", "convulsions")]
    assert opened({**sent, "status": "entered-in-error"}) == [("code-only-text", "")]
    del sent["subject"]
    assert opened(sent) == [("subject-missing", "convulsions")]
    assert opened(condition({"text": words})) == [("code-only-text", "convulsions")]


def test_a_condition_in_words_that_does_not_hold_opens_nothing() -> None:
    words = {"text": "Convulsions in this illness"}
    ended = condition(words, clinicalStatus=clinical("resolved"))
    assert opened(ended) == [("condition-ended", "")]
    refuted = condition(words, verificationStatus=verified("refuted"))
    assert opened(refuted) == [("code-only-text", "")]
    assert opened(condition({"text": "Weight"})) == [("condition-unknown", "")]


def test_strict_says_once_what_is_open_for_two_signs() -> None:
    code = both(FIT, concept(f"{OWN}/finding", "jaundice"))
    with pytest.raises(UnusableRequest) as caught:
        request(bundle(patient(), observation("f", code, valueBoolean=True)), strict=True)
    assert [problem.code for problem in caught.value.problems] == ["code-invalid"]


@pytest.mark.parametrize("slashes", ["/", "//"])
def test_a_slash_after_our_code_system_changes_nothing(slashes: str) -> None:
    fit = observation("f", concept(f"{OWN}/finding{slashes}", "convulsions"), valueBoolean=True)
    (code, *_) = (form.code for one, form in protocol().formulations if one.code == "amoxicillin")
    tablet = concept(f"{OWN}/formulation{slashes}", code)
    read = case(patient(), fit, dose(tablet))
    assert ([one.code for one in read.findings], read.refusals) == (["convulsions"], ())
    assert [one.medicine for one in read.given] == ["amoxicillin"]
    unheard = observation("f", concept(f"{OWN}/finding{slashes}", "unheard"))
    assert opened(unheard) == [("finding-unknown", "")]


OPEN_BY_SUBJECT: list[tuple[Json, str]] = [
    ({}, "subject-missing"),
    (
        {"subject": {"reference": "Patient/infant-1"}, "modifierExtension": RULE},
        "modifier-extension",
    ),
]


@pytest.mark.parametrize(("changes", "reason"), OPEN_BY_SUBJECT)
def test_a_medicine_that_cannot_be_said_to_be_this_infants_is_open(
    changes: Json, reason: str
) -> None:
    for one in (dose(), order(), order(status="unknown"), statement(), statement(status="unknown")):
        del one["subject"]
        assert opened({**one, **changes}) == [(reason, "amoxicillin")]


@pytest.mark.parametrize(
    "one",
    [
        dose(status="not-done"), dose(status="entered-in-error"), order(status="stopped"),
        order(intent="proposal"), order(doNotPerform=True), statement(status="completed"),
    ],
)  # fmt: skip
def test_a_medicine_that_is_not_given_opens_nothing(one: Json) -> None:
    del one["subject"]
    assert opened(one) == [("subject-missing", "")]


def test_an_order_or_statement_of_which_it_is_not_sure_holds_the_medicine() -> None:
    assert opened(order(status="unknown")) == [("status-not-usable", "amoxicillin")]
    assert opened(order(authoredOn="2026-05-03")) == [("future", "amoxicillin")]
    assert opened(statement(status="unknown")) == [("status-not-usable", "amoxicillin")]
    unknown = statement(status="unknown", medicationCodeableConcept=concept(ATC, "A01"))
    assert opened(unknown) == [("status-not-usable", "")]
    over = {"start": "2026-04-15", "end": "2026-04-20"}
    assert opened(statement(effectivePeriod=over)) == [("medicine-ended", "")]


def test_a_condition_or_allergy_that_may_hold_is_open() -> None:
    assert opened(condition(FIT, recordedDate="2026-05-03")) == [("future", "convulsions")]
    assert opened(condition(FIT, subject=...)) == [("subject-missing", "convulsions")]
    nobodys = allergy(PENICILLIN, patient=...)
    assert opened(nobodys) == [("subject-missing", "penicillin-allergy")]
    peanut = allergy({"text": "peanut"}, patient=...)
    assert opened(peanut) == [("subject-missing", "")]


def test_a_condition_or_allergy_that_does_not_hold_opens_nothing() -> None:
    for one in (
        condition(FIT, subject=..., verificationStatus=verified("refuted")),
        condition(FIT, subject=..., verificationStatus=verified("entered-in-error")),
        condition(FIT, subject=..., clinicalStatus=clinical("resolved")),
        allergy(PENICILLIN, patient=..., verificationStatus=allergy_verified("refuted")),
        allergy(PENICILLIN, patient=..., clinicalStatus=allergy_clinical("inactive")),
    ):
        assert opened(one) == [("subject-missing", "")]


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error"])
def test_an_observation_that_was_none_opens_nothing(status: str) -> None:
    assert opened(weight(status=status)) == [("status-not-usable", "")]
    assert opened(weight(status=status, subject=...)) == [("subject-missing", "")]


def test_what_is_another_patients_opens_nothing() -> None:
    other = {"reference": "Patient/infant-2"}
    assert opened(weight(subject=other)) == [("subject-other", "")]
    assert opened(dose(subject=other)) == [("subject-other", "")]


# --- Panels ---

PANEL = concept("http://loinc.org", "85353-1")  # LOINC: a panel of vital signs, from memory
UNKNOWN = concept(f"{HL7}/data-absent-reason", "unknown")


def panel(*components: Json, **changes: object) -> Json:
    return observation("panel", PANEL, component=list(components), **changes)


def part(code: Json, **value: object) -> Json:
    return {"code": code, **value}


KILOS = part(weight()["code"], valueQuantity=quantity(3.2, "kg"))


def test_the_components_of_a_panel_are_read_as_observations() -> None:
    body = {"text": "rectum"}
    sent = panel(
        KILOS,
        part(FIT, valueBoolean=True),
        part(concept(f"{OWN}/finding", "jaundice"), dataAbsentReason=UNKNOWN),
        part(concept("http://loinc.org", "8310-5"), valueQuantity=quantity(37.2, "Cel")),
        part({"text": "mood"}, valueString="content"),
        status="preliminary",
        bodySite=body,
    )
    read = case(patient(), sent)
    alone = case(
        patient(),
        weight(3.2, status="preliminary"),
        finding("convulsions", valueBoolean=True, status="preliminary"),
        finding("jaundice", dataAbsentReason=UNKNOWN, status="preliminary"),
        measured("t", "8310-5", 37.2, "Cel", status="preliminary", bodySite=body),
    )
    assert read.refusals == ()
    assert [one[:3] for one in read.findings] == [one[:3] for one in alone.findings]
    facts = [
        (one.kind, one.quantity, one.at, one.preliminary, one.site) for one in read.measurements
    ]
    assert facts == [
        (one.kind, one.quantity, one.at, one.preliminary, one.site) for one in alone.measurements
    ]
    assert {one.origin.reference for one in (*read.findings, *read.measurements)} == {
        "http://tolm-ford.example/fhir/Observation/panel"
    }
    assert read.findings[0].origin.expression == "Bundle.entry[1].resource.component[1]"


def test_a_component_that_cannot_be_used_is_open() -> None:
    assert opened(panel(part(FIT))) == [("value-missing", "convulsions")]
    assert opened(panel(KILOS, effectiveDateTime=TOMORROW)) == [("future", "weight")]
    assert opened(panel(KILOS, subject=...)) == [("subject-missing", "weight")]
    assert opened(panel(KILOS, status="unknown")) == [("status-not-usable", "weight")]
    assert opened(panel(KILOS, status="cancelled")) == [("status-not-usable", "")]
    assert opened(panel({**KILOS, "modifierExtension": RULE})) == [("modifier-extension", "weight")]
    unheard = part(concept(f"{OWN}/finding", "unheard"), valueBoolean=True)
    assert opened(panel(unheard)) == [("finding-unknown", "")]


def test_a_panel_needs_no_value_of_its_own() -> None:
    read = case(patient(), {**finding("convulsions"), "component": [KILOS]})
    assert ([one.code for one in read.findings], len(read.measurements)) == (["convulsions"], 1)
    bare = {**panel(KILOS), "code": FIT}
    read = case(patient(), bare)
    assert ([one.kind for one in read.measurements], read.refusals) == (["weight"], ())
    absent = case(patient(), {**bare, "dataAbsentReason": UNKNOWN})
    assert [one.code for one in absent.findings] == ["convulsions"]
    unheard = {**bare, "code": concept(f"{OWN}/finding", "unheard")}
    assert [one.reason for one in case(patient(), unheard).refusals] == ["finding-unknown"]
    nothing = {**bare, "component": [part({"text": "mood"}, valueString="content")]}
    assert opened(nothing) == [("value-missing", "convulsions")]
