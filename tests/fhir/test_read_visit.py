"""When the visit is: `as_of`, its end, the encounter (design: `as_of`)."""

from datetime import datetime, timedelta

import pytest

from cds_service.errors import MalformedRequest, UnusableRequest
from tests.fhir.sending import (
    NOW,
    SERVER,
    Json,
    bundle,
    case,
    encounter,
    parameters,
    patient,
    protocol,
    reasons,
    request,
    weight,
)


def test_as_of_is_the_parameter_first() -> None:
    read = request(parameters(bundle(patient(), encounter()), as_of="2026-04-29T10:00:00Z")).case
    assert read.as_of == datetime.fromisoformat("2026-04-29T10:00:00+00:00")
    assert read.visit_end == read.as_of + timedelta(minutes=5)
    assert read.encounter == f"{SERVER}/Encounter/visit-1"


def test_as_of_is_the_start_of_the_only_encounter_next() -> None:
    read = case(patient(), encounter())
    start = datetime.fromisoformat("2026-04-30T08:00:00+02:00")
    assert read.as_of == start
    assert read.visit_end == start + timedelta(
        hours=int(protocol().visit_length.quantity.to("h").value)
    )


@pytest.mark.parametrize(
    ("end", "last"),
    [
        ("2026-04-30T09:15:00+02:00", "2026-04-30T09:15:00+02:00"),
        ("2026-04-30", "2026-04-30T23:59:59+02:00"),
    ],
)
def test_a_visit_ends_with_its_encounter(end: str, last: str) -> None:
    period = {"start": "2026-04-30T08:00:00+02:00", "end": end}
    assert case(patient(), encounter(period=period)).visit_end == datetime.fromisoformat(last)


def test_as_of_is_the_clock_last_with_five_minutes_for_the_callers_clock() -> None:
    read = case(patient())
    assert (read.as_of, read.visit_end) == (NOW, NOW + timedelta(minutes=5))


def test_a_visit_began_with_its_encounter_whatever_as_of_is() -> None:
    began = datetime.fromisoformat("2026-04-30T08:00:00+02:00")
    by_parameter = request(parameters(bundle(patient(), encounter()))).case
    assert by_parameter.as_of == NOW
    assert by_parameter.visit_start == case(patient(), encounter()).visit_start == began


@pytest.mark.parametrize(
    "changes",
    [
        {"period": {"start": "2026-05-01T09:45:01+02:00"}},
        {"period": {"start": "2026-05-01"}},
        {"period": ...},
        {"status": "planned"},
    ],
)
def test_an_encounter_that_does_not_say_when_the_visit_began(changes: Json) -> None:
    read = request(parameters(bundle(patient(), encounter(**changes)))).case
    assert read.visit_start is None


def test_without_an_encounter_nobody_knows_when_the_visit_began() -> None:
    assert case(patient()).visit_start is None


EVENING = "2026-04-30T22:30:00Z"
MORNING = "2026-05-01T00:20:00+02:00"


def test_a_visit_in_utc_on_another_day_than_at_the_clinic_is_told() -> None:
    data = bundle(patient(), weight(effectiveDateTime=MORNING))
    (refusal,) = request(parameters(data, as_of=EVENING)).case.refusals
    assert (refusal.reason, refusal.code) == ("offsets-differ", "")
    assert refusal.origin.expression == "Parameters.parameter[0].valueDateTime"
    with pytest.raises(UnusableRequest):
        request(parameters(data, as_of=EVENING), strict=True)


def test_an_encounter_in_utc_on_another_day_is_told() -> None:
    held = encounter(period={"start": EVENING})
    (refusal,) = case(patient(), held, weight(effectiveDateTime=MORNING)).refusals
    assert (refusal.reason, refusal.origin.reference) == (
        "offsets-differ", f"{SERVER}/Encounter/visit-1",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("as_of", "at"),
    [
        ("2026-05-01T00:30:00+02:00", MORNING),  # the clinic's own offset
        ("2026-04-30T21:30:00Z", "2026-04-30T23:20:00+02:00"),  # one day in both
        (EVENING, "2026-04-30T22:20:00Z"),  # all in UTC
        (EVENING, "2026-04-30"),
    ],
)
def test_offsets_that_agree_on_the_day_are_nothing_to_tell(as_of: str, at: str) -> None:
    data = bundle(patient(), weight(effectiveDateTime=at))
    assert request(parameters(data, as_of=as_of)).case.refusals == ()


def test_our_own_clock_may_be_in_utc() -> None:
    utc = datetime.fromisoformat("2026-04-30T22:30:00+00:00")
    assert case(patient(), weight(effectiveDateTime=MORNING), now=utc).refusals == ()


@pytest.mark.parametrize("period", [{}, {"start": "2026-04-30"}, {"end": "2026-04-30"}])
def test_an_encounter_without_an_exact_start_does_not_date_the_visit(period: Json) -> None:
    body = bundle(patient(), encounter(period=period or {"id": "empty"}))
    assert request(body).case.as_of == NOW


def test_the_encounter_that_is_named_dates_the_visit() -> None:
    later = encounter("visit-2", period={"start": "2026-04-30T17:00:00+02:00"})
    data = bundle(patient(), encounter(), later)
    body = parameters(data, {"name": "encounter", "valueString": "Encounter/visit-2"})
    del body["parameter"][0]
    read = request(body).case
    assert read.as_of == datetime.fromisoformat("2026-04-30T17:00:00+02:00")
    assert read.encounter == f"{SERVER}/Encounter/visit-2"


def test_of_two_encounters_none_is_guessed() -> None:
    read = case(patient(), encounter(), encounter("visit-2"))
    assert (read.as_of, read.encounter) == (NOW, "")
    assert reasons(read) == ["encounter-ambiguous"]


@pytest.mark.parametrize(
    ("name", "written"),
    [("visit-9", "Encounter/visit-9"), (f"{SERVER}/Encounter/visit-9",) * 2],
)
def test_an_encounter_that_was_not_sent_is_still_referred_to(name: str, written: str) -> None:
    sent = {"name": "encounter", "valueString": name}
    assert request(parameters(bundle(patient()), sent)).case.encounter == written


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"status": "cancelled"}, "status-not-usable"),
        ({"status": "entered-in-error"}, "status-not-usable"),
        ({"status": "planned"}, "status-not-usable"),
        ({"subject": {"reference": "Patient/infant-2"}}, "subject-other"),
        ({"implicitRules": "http://upper-brenna.example/r"}, "modifier-extension"),
    ],
)
def test_an_encounter_that_may_not_be_used_is_named(changes: Json, reason: str) -> None:
    read = case(patient(), encounter(**changes))
    assert (read.as_of, reasons(read)) == (NOW, [reason])


@pytest.mark.parametrize("text", ["Encounter/visit 1", "visit-1\x1e", "Encounter/\n1", "\u202e1"])
def test_an_encounter_that_is_no_reference_is_refused_and_never_repeated(text: str) -> None:
    body = parameters(bundle(patient()), {"name": "encounter", "valueString": text})
    with pytest.raises(MalformedRequest) as refused:
        request(body)
    assert refused.value.problems[0].expression == "Parameters.parameter[2]"


@pytest.mark.parametrize("mark", [" ", "\x1e", "\n"])
def test_an_address_of_an_entry_that_is_none_is_refused(mark: str) -> None:
    body = bundle(patient())
    body["entry"][0]["fullUrl"] += mark
    with pytest.raises(MalformedRequest) as refused:
        request(body)
    assert refused.value.problems[0].expression == "Bundle.entry[0].fullUrl"
