"""When a fact was: the offset, the date alone, the future."""

from datetime import datetime
from typing import Any

import pytest

from cds_service.errors import MalformedRequest
from tests.fhir.sending import (
    NOW,
    case,
    patient,
    refused,
    value,
    weight,
)


def at(**changes: Any) -> datetime | None:
    return value(weight(**{"effectiveDateTime": ..., **changes})).at


def test_the_time_of_an_observation_is_told_in_the_visits_offset() -> None:
    time = at(effectiveDateTime="2026-05-01T07:00:00Z")
    assert time is not None
    assert time.isoformat() == "2026-05-01T09:00:00+02:00"


def test_an_instant_and_the_end_of_a_period_are_times() -> None:
    nine, ten = "2026-05-01T09:00:00+02:00", "2026-05-01T09:30:00+02:00"
    assert at(effectiveInstant=nine) == datetime.fromisoformat(nine)
    assert at(effectivePeriod={"start": nine, "end": ten}) == datetime.fromisoformat(ten)
    assert at(effectivePeriod={"start": nine}) == datetime.fromisoformat(nine)


def test_a_time_that_was_not_said_is_not_invented() -> None:
    assert at() is None
    assert at(effectivePeriod={"id": "p"}) is None


def test_a_date_alone_is_the_end_of_that_day() -> None:
    yesterday = at(effectiveDateTime="2026-04-30")
    assert yesterday is not None
    assert yesterday.isoformat() == "2026-04-30T23:59:59+02:00"


@pytest.mark.parametrize("today", ["2026-05-01", "2026-05", "2026"])
def test_a_date_of_today_is_not_later_than_the_visit(today: str) -> None:
    assert at(effectiveDateTime=today) == NOW


def test_the_callers_clock_may_be_five_minutes_ahead() -> None:
    assert at(effectiveDateTime="2026-05-01T09:45:00+02:00") is not None
    assert refused(weight(effectiveDateTime="2026-05-01T09:45:01+02:00")) == ["future"]


def test_a_date_that_begins_within_the_visit_lasts_until_its_end() -> None:
    period = {"start": "2026-05-01T22:00:00+02:00", "end": "2026-05-02T03:00:00+02:00"}
    night = {
        "resourceType": "Encounter",
        "id": "night",
        "status": "finished",
        "subject": {"reference": "Patient/infant-1"},
        "period": period,
    }
    (one,) = case(patient(), night, weight(effectiveDateTime="2026-05-02")).measurements
    assert one.at == datetime.fromisoformat("2026-05-02T03:00:00+02:00")


def test_an_old_weight_is_kept_with_its_time() -> None:
    time = at(effectiveDateTime="2026-04-13T08:00:00+02:00")
    assert time == datetime.fromisoformat("2026-04-13T08:00:00+02:00")


@pytest.mark.parametrize("instant", ["2026-05-01", "2026"])
def test_an_instant_is_never_a_date_alone(instant: str) -> None:
    with pytest.raises(MalformedRequest) as caught:
        at(effectiveInstant=instant)
    (problem,) = caught.value.problems
    assert problem.expression == "Bundle.entry[1].resource.effectiveInstant"
