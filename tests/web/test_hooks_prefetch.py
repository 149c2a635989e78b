"""Prefetch of CDS Hooks: absent, null, single, in error, in part, of another patient
(community text of 2.0, cds-hooks/docs, docs/specification/current.md)."""

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from tests.hooks import plan_call
from tests.logs import entry_at

from .conftest import Call, issue
from .hook_calls import Json, asking, cards, other, topics
from .sample import body


@pytest.fixture
def ask(call: Call) -> Call:
    return asking(call)


def without(*keys: str) -> Json:
    call = plan_call(body())
    call["prefetch"] = {k: v for k, v in call["prefetch"].items() if k not in keys}
    return call


@pytest.mark.parametrize("key", ["patient", "observations"])
def test_what_is_needed_and_absent_is_a_failed_precondition(ask: Call, key: str) -> None:
    answer = ask(without(key))
    assert answer.status_code == 412
    assert key in issue(answer)["details"]["text"]
    assert issue(answer)["expression"] == ["prefetch"]


def test_no_prefetch_at_all_is_a_failed_precondition_with_a_server_too(ask: Call) -> None:
    call = plan_call(body())
    del call["prefetch"]
    assert ask(call).status_code == 412
    assert ask(call | {"fhirServer": "https://tolm-ford.example/fhir"}).status_code == 412


def test_no_patient_is_a_failed_precondition(ask: Call) -> None:
    call = plan_call(body())
    call["prefetch"]["patient"] = None
    assert ask(call).status_code == 412


def test_null_observations_leave_everything_to_be_asked(ask: Call) -> None:
    call = plan_call(body())
    call["prefetch"]["observations"] = None
    told = topics(ask(call))
    assert told["missing"]["indicator"] == "warning"
    assert "Find out: Convulsions" in told["missing"]["detail"]
    assert "No medicine is due" not in orjson.dumps(told).decode()


@pytest.mark.parametrize("key", ["allergies", "medicationAdministrations", "medicationRequests"])
def test_data_that_was_not_sent_is_said_to_be_unknown(ask: Call, key: str) -> None:
    missing = topics(ask(without(key)))["missing"]
    assert missing["indicator"] == "warning"
    assert missing["summary"].startswith("Not all the data asked for was sent.")
    assert "**Not sent by the record system**" in missing["detail"]


OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "exception"}],
}
HOW_A_SEARCH_FAILS = {
    "an outcome": lambda found: OUTCOME,
    "an outcome among the entries": lambda found: (
        found | {"entry": [*found["entry"], {"resource": OUTCOME, "search": {"mode": "outcome"}}]}
    ),
    "a page of several": lambda found: (
        found | {"link": [{"relation": "next", "url": "https://tolm-ford.example/fhir?page=2"}]}
    ),
    "fewer than there are": lambda found: found | {"total": len(found["entry"]) + 1},
}


@pytest.mark.parametrize("how", HOW_A_SEARCH_FAILS)
def test_a_search_that_failed_or_is_in_part_counts_as_not_sent(ask: Call, how: str) -> None:
    call = plan_call(body())
    found = call["prefetch"]["observations"]
    call["prefetch"]["observations"] = HOW_A_SEARCH_FAILS[how](found)
    assert ask(call).status_code == 412
    call["prefetch"]["observations"] = found
    call["prefetch"]["allergies"] = HOW_A_SEARCH_FAILS[how](found)
    assert "recorded allergies" in topics(ask(call))["missing"]["detail"]


def test_a_warning_among_the_entries_does_no_harm(ask: Call) -> None:
    call = plan_call(body())
    warning = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning"}]}
    call["prefetch"]["observations"]["entry"].append({"resource": warning})
    assert topics(ask(call)).keys() == topics(ask(plan_call(body(), hookInstance=other(1)))).keys()


def test_single_resources_are_read_as_well_as_bundles(ask: Call) -> None:
    call = plan_call(body())
    entries = call["prefetch"]["patient"]["entry"]
    single = call | {"prefetch": call["prefetch"] | {"patient": entries[0]["resource"]}}
    for each in single["prefetch"]["observations"]["entry"]:
        del each["fullUrl"]
    assert topics(ask(single))["treatment"]["summary"].startswith("Treatment: Gentamicin")


def test_a_key_that_nobody_asked_for_is_used_and_not_dropped(ask: Call) -> None:
    call = plan_call(body())
    observations = call["prefetch"]["observations"]
    *most, last = observations["entry"]
    call["prefetch"]["observations"] = observations | {"entry": most}
    call["prefetch"]["breaths"] = last["resource"]
    again = plan_call(body(), hookInstance=other(2))
    assert topics(ask(call))["now"]["summary"] == topics(ask(again))["now"]["summary"]


def test_another_patients_data_are_refused(ask: Call) -> None:
    call = plan_call(body())
    call["context"]["patientId"] = "somebody-else"
    answer = ask(call)
    assert answer.status_code == 422
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_a_child_who_is_too_old_gets_one_card_and_no_dose(ask: Call, store: SqliteStore) -> None:
    call = plan_call(body())
    patient = call["prefetch"]["patient"]["entry"][0]["resource"]
    patient["birthDate"] = "1987-12-25"
    (card,) = cards(ask(call))
    assert card["summary"].startswith("Outside the age of this protocol")
    assert "suggestions" not in card
    assert entry_at(store, 0) is not None
