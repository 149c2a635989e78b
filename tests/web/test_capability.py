"""The CapabilityStatement equals reality, both ways.

What it claims works; what it does not claim answers 404, 405 or 501 with an OperationOutcome
(FHIR R4 http.html, capabilitystatement.html). Interactions and types are those of R4.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from .conftest import Call

Json = dict[str, Any]
REFUSED = (404, 405, 501)
TYPES = (
    "Patient", "Observation", "Condition", "MedicationRequest", "Bundle", "Task", "Measure",
    "QuestionnaireResponse", "Encounter", "Consent", "Provenance", "Subscription", "Parameters",
)  # fmt: skip
"""Types that no statement of ours claims."""
OPERATIONS = (
    "validate",
    "expand",
    "validate-code",
    "everything",
    "lookup",
    "translate",
    "populate",
)
BODY = {
    "content": b'{"resourceType":"Basic"}',
    "headers": {"content-type": "application/fhir+json"},
}


def claims(call: Call) -> dict[str, Json]:
    statement = call("GET", "/fhir/metadata").json()
    (rest,) = statement["rest"]
    assert [each["code"] for each in rest["interaction"]] == ["batch"]
    return {each["type"]: each for each in rest["resource"]}


def instance(call: Call, kind: str) -> str:
    """The id of one resource of a type that can be read; of a type without any, some id."""
    found = call("GET", f"/fhir/{kind}")
    entries = found.json().get("entry", []) if found.status_code == 200 else []
    return str(entries[0]["resource"]["id"]) if entries else "none"


def attempts(call: Call, kind: str) -> Iterator[tuple[str, str, str]]:
    """How each interaction of R4 would be asked for: its code, method and path."""
    one = f"/fhir/{kind}/{instance(call, kind)}"
    yield "read", "GET", one
    yield "vread", "GET", f"{one}/_history/1"
    yield "update", "PUT", one
    yield "patch", "PATCH", one
    yield "delete", "DELETE", one
    yield "history-instance", "GET", f"{one}/_history"
    yield "history-type", "GET", f"/fhir/{kind}/_history"
    yield "create", "POST", f"/fhir/{kind}"
    yield "search-type", "GET", f"/fhir/{kind}"


def is_refused(answer: Any, asked: tuple[str, str]) -> None:
    assert answer.status_code in REFUSED, (asked, answer.status_code)
    outcome = answer.json()
    get_fhir_model_class("OperationOutcome").model_validate(outcome)
    assert outcome["issue"][0]["severity"] == "error"


def test_every_interaction_of_every_claimed_type_is_as_claimed(call: Call) -> None:
    for kind, claimed in claims(call).items():
        codes = {each["code"] for each in claimed.get("interaction", [])}
        empty = instance(call, kind) == "none"
        for code, method, path in attempts(call, kind):
            answer = call(method, path, **(BODY if method in ("PUT", "POST", "PATCH") else {}))
            if code not in codes:
                is_refused(answer, (method, path))
            elif not empty or code == "search-type":  # the log of this test has no entry
                assert answer.status_code == 200, (method, path)


@pytest.mark.parametrize("kind", TYPES)
def test_nothing_is_there_for_a_type_that_is_not_claimed(call: Call, kind: str) -> None:
    assert kind not in claims(call)
    for _, method, path in attempts(call, kind):
        answer = call(method, path, **(BODY if method in ("PUT", "POST", "PATCH") else {}))
        is_refused(answer, (method, path))


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/fhir/_history"), ("GET", "/fhir"), ("PUT", "/fhir"), ("POST", "/fhir/_search")],
)
def test_no_other_interaction_of_the_whole_system_is_claimed_or_answered(
    call: Call, method: str, path: str
) -> None:
    is_refused(call(method, path, **({} if method == "GET" else BODY)), (method, path))


@pytest.mark.parametrize(("kind", "status"), [("batch", 200), ("transaction", 501)])
def test_a_batch_is_claimed_and_answered_and_a_transaction_neither(
    call: Call, kind: str, status: int
) -> None:
    assert kind != "transaction" or kind not in str(claims(call))
    asked = {"request": {"method": "GET", "url": "metadata"}}
    sent = {"resourceType": "Bundle", "type": kind, "entry": [asked]}
    answer = call("POST", "/fhir", json=sent)
    assert answer.status_code == status
    if status == 501:
        is_refused(answer, ("POST", kind))
    else:
        assert answer.json()["entry"][0]["response"]["status"] == "200"


def test_what_is_claimed_and_what_is_not_is_the_same_in_a_batch(call: Call) -> None:
    codes = {"GET": ("read", "search-type"), "POST": ("create",)}
    for kind, claimed in claims(call).items():
        known = {each["code"] for each in claimed.get("interaction", [])}
        asked = [each for each in attempts(call, kind) if each[0] in codes.get(each[1], ())]
        entries: list[Json] = [
            {"request": {"method": method, "url": path.removeprefix("/fhir/")}}
            for _, method, path in asked
        ]
        sent = {"resourceType": "Bundle", "type": "batch", "entry": entries}
        for (code, *_), entry in zip(
            asked, call("POST", "/fhir", json=sent).json()["entry"], strict=True
        ):
            status = int(entry["response"]["status"])
            if code not in known:
                assert status in REFUSED, (kind, code, status)
            elif code == "search-type":
                assert status == 200, (kind, code)


def test_every_claimed_operation_is_there_and_defined(call: Call) -> None:
    found = 0
    for kind, claimed in claims(call).items():
        for operation in claimed.get("operation", []):
            found += 1
            name = operation["definition"].rpartition("/")[2]
            definition = call("GET", f"/fhir/OperationDefinition/{name}").json()
            assert definition["url"] == operation["definition"]
            assert (definition["code"], kind in definition["resource"]) == (operation["name"], True)
            one = "sick-young-infant" if kind == "PlanDefinition" else "none"
            path = f"/fhir/{kind}/{one}/${operation['name']}"
            answers = [call("POST", path, **BODY), call("GET", path)]
            assert any(each.status_code not in (405, 501) for each in answers), operation
            if kind == "PlanDefinition":
                assert answers[0].status_code == 400  # a Basic is no Parameters
    assert found >= 2


@pytest.mark.parametrize("code", OPERATIONS)
def test_an_operation_that_is_not_claimed_is_not_there(call: Call, code: str) -> None:
    for kind, claimed in claims(call).items():
        assert code not in {each["name"] for each in claimed.get("operation", [])}
        for path in (f"/fhir/{kind}/${code}", f"/fhir/{kind}/{instance(call, kind)}/${code}"):
            is_refused(call("POST", path, **BODY), ("POST", path))
            is_refused(call("GET", path), ("GET", path))
