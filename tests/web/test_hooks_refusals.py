"""Calls of CDS Hooks that are malformed or hostile: refused, with the place, and without cards."""

import asyncio
from typing import Any

import pytest

from cds_service.audit.sqlite import SqliteStore
from tests.hooks import plan_call

from .conftest import Call, issue
from .hook_calls import asking, cards
from .sample import body, bundle


@pytest.fixture
def ask(call: Call) -> Call:
    return asking(call)


def test_a_place_in_an_error_is_that_of_the_call(ask: Call) -> None:
    call = plan_call(body())
    call["prefetch"]["observations"]["entry"][2]["resource"]["status"] = "Final"
    answer = ask(call)
    assert answer.status_code == 400
    assert issue(answer)["expression"] == ["prefetch.observations.entry[2].resource.status"]


MALFORMED: dict[str, Any] = {
    "no hook": lambda call: call.pop("hook"),
    "another hook": lambda call: call.update(hook="order-sign"),
    "no instance": lambda call: call.pop("hookInstance"),
    "an instance that is no UUID": lambda call: call.update(hookInstance="1"),
    "no context": lambda call: call.pop("context"),
    "no user": lambda call: call["context"].pop("userId"),
    "no patient id": lambda call: call["context"].pop("patientId"),
    "an id that is none": lambda call: call["context"].update(patientId="1?_include=*"),
    "prefetch that is a list": lambda call: call.update(prefetch=[]),
    "a patient that is text": lambda call: call["prefetch"].update(patient="Patient/1"),
    "a patient that is another": lambda call: call["prefetch"].update(
        patient={"resourceType": "Observation"}
    ),
    "an entry that is text": lambda call: call["prefetch"]["patient"].update(
        entry=[{"resource": "x"}]
    ),
    "entries that are none": lambda call: call["prefetch"]["patient"].update(entry=-1),
    "a patient of text among entries": lambda call: call["prefetch"]["patient"].update(
        entry="Patient"
    ),
    "an extension that is none": lambda call: call.update(
        extension={"example.cds-service.parameters": {"name": "asOf"}}
    ),
    "a token without a server": lambda call: call.update(fhirAuthorization={"access_token": "x"}),
    "a server that is a file": lambda call: call.update(fhirServer="file:///etc/hostname"),
}


@pytest.mark.parametrize("how", MALFORMED)
def test_a_malformed_call_is_refused(ask: Call, how: str) -> None:
    call = plan_call(body())
    MALFORMED[how](call)
    answer = ask(call)
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("odd", [-1, True, "x", {"relation": "next"}])
def test_links_or_issues_that_are_no_list_bring_nothing_down(ask: Call, odd: Any) -> None:
    call = plan_call(body())
    warning = {"resource": {"resourceType": "OperationOutcome", "issue": odd}}
    call["prefetch"]["observations"]["link"] = odd
    call["prefetch"]["observations"]["entry"].append(warning)
    assert cards(ask(call))


@pytest.mark.parametrize("content", [b"", b"[]", b"1", b'{"hook":1,"hook":2}', b"{" * 500, b"\xff"])
def test_what_is_no_call_is_refused(ask: Call, content: bytes) -> None:
    assert ask(content).status_code == 400


def test_media_types_and_sizes_are_as_elsewhere(ask: Call) -> None:
    assert ask(**{"content-type": "text/plain"}).status_code == 415
    assert ask(accept="text/html").status_code == 406
    assert ask(b" " * 200_001).status_code == 413
    assert ask(accept="application/json").status_code == 200


def test_a_closed_log_gives_no_cards(ask: Call, store: SqliteStore) -> None:
    asyncio.run(store.close())
    answer = ask()
    assert answer.status_code == 503
    assert "cards" not in answer.json()


def test_what_the_caller_wrote_cannot_be_markdown(ask: Call) -> None:
    call = plan_call(body())
    bad = "![x](http://evil.example/p.png) <script>alert(1)</script>"
    stock = {
        "name": "availableMedication",
        "valueCodeableConcept": {
            "coding": [{"system": "http://cds-service.example/fhir/CodeSystem/formulation",
                        "code": bad}]
        },
    }  # fmt: skip
    call["extension"]["example.cds-service.parameters"].append(stock)
    call["prefetch"]["observations"]["entry"].append(
        {"resource": bundle()["entry"][1]["resource"] | {
            "id": "x", "code": {"coding": [
                {"system": "http://cds-service.example/fhir/CodeSystem/finding", "code": bad}]}}}
    )  # fmt: skip
    for card in cards(ask(call)):
        assert "<script" not in card["detail"]
        assert "](http" not in card["detail"]
        assert "http://" not in card["detail"]
