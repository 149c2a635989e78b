"""GuidanceResponse read and searched in the log, and what of it others may see."""

import asyncio
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.record import Origin
from cds_service.fhir.artefacts import artefacts
from cds_service.service import Service
from cds_service.web.app import make_app

from .auditing import FORM, ORLA, links, valid
from .conftest import ACCEPTED, JSON, Call, call_app, issue, protocol, said
from .guidance import GUIDANCE, NOTE, OTHER
from .sample import BASE, body


def ids(page: dict[str, Any]) -> list[tuple[str, str]]:
    """Id and version of each match."""
    found = [each["resource"] for each in page.get("entry", ())]
    return [
        (each["id"], each["meta"]["versionId"])
        for each in found
        if each["resourceType"] == "GuidanceResponse"
    ]


def without_meta(resource: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in resource.items() if name != "meta"}


def test_the_recorded_guidance_is_read_by_the_id_of_the_decision(call: Call, post: Call) -> None:
    answer = post()
    recorded = answer.json()["entry"][0]["resource"]
    read = call("GET", f"{GUIDANCE}/{recorded['id']}")

    assert without_meta(valid(read)) == recorded
    assert read.json()["meta"] == {
        "versionId": "0",
        "lastUpdated": "2026-03-02T07:45:00+00:00",
    }
    assert read.headers["etag"] == 'W/"0"'


def test_each_entry_of_a_decision_is_a_version(call: Call, post: Call) -> None:
    decision = post(accept_language="sw").headers["cds-decision-id"]
    post()

    assert valid(call("GET", f"{GUIDANCE}/{decision}"))["meta"]["versionId"] == "1"
    for version in ("0", "1"):
        read = valid(call("GET", f"{GUIDANCE}/{decision}/_history/{version}"))
        assert (read["id"], read["meta"]["versionId"]) == (decision, version)


def test_a_note_has_no_guidance(call: Call) -> None:
    answer = call("POST", NOTE, content=body(), headers=JSON)
    decision = answer.headers["cds-decision-id"]

    assert call("GET", f"{GUIDANCE}/{decision}").status_code == 404
    assert call("GET", f"{GUIDANCE}/{decision}/_history/0").status_code == 404
    assert valid(call("GET", GUIDANCE))["total"] == 0
    record = valid(call("GET", f"{GUIDANCE}/{decision}/$record"))
    assert record["entry"][2]["resource"]["type"] == "document"


def test_guidance_is_searched_for_by_status_patient_date_and_id(call: Call, post: Call) -> None:
    decision = post().headers["cds-decision-id"]
    status = call("GET", f"{GUIDANCE}/{decision}").json()["status"]
    post(
        body(
            subject={"valueString": "Patient/orla-fenn"},
            asOf={"valueDateTime": "2026-03-02T09:31:00+02:00"},
        )
    )

    assert len(ids(valid(call("GET", GUIDANCE)))) == 2
    for query in (f"_id={decision}", f"_id={decision}&status={status}"):
        assert ids(valid(call("GET", f"{GUIDANCE}?{query}"))) == [(decision, "0")]
    assert valid(call("GET", f"{GUIDANCE}?status={status}&patient={ORLA}"))["total"] == 2
    assert valid(call("GET", f"{GUIDANCE}?status=success"))["total"] == 0
    assert valid(call("GET", f"{GUIDANCE}?date=2026-03-02"))["total"] == 2
    assert valid(call("GET", f"{GUIDANCE}?date=gt2026-03-02"))["total"] == 0
    page = valid(call("GET", f"{GUIDANCE}?_count=1&_total=accurate&patient={ORLA}"))
    assert page["total"] == 2
    assert ids(valid(call("GET", links(page)["next"]))) == [(decision, "0")]
    form = f"patient={ORLA}&status={status}"
    found = valid(call("POST", f"{GUIDANCE}/_search", content=form, headers=FORM))
    assert found["total"] == 2


def test_one_decision_twice_in_a_page_is_told_apart_by_version(call: Call, post: Call) -> None:
    # FHIR R4 bdl-7: a fullUrl is unique in a Bundle, or the versionId differs.
    post(), post()
    page = valid(call("GET", GUIDANCE))

    assert len({each["fullUrl"] for each in page["entry"]}) == 1
    assert [version for _, version in ids(page)] == ["1", "0"]


@pytest.mark.parametrize("query", ["status=failed", "status=", "_id=a/b", "_id=" + "a" * 65])
def test_values_that_are_not_usable(call: Call, query: str) -> None:
    assert call("GET", f"{GUIDANCE}?{query}").status_code == (200 if query == "status=" else 400)


def test_an_erased_guidance_is_gone(call: Call, decision: str, service: Service) -> None:
    asyncio.run(service.erase(0, "on request"))

    assert call("GET", f"{GUIDANCE}/{decision}/_history/0").status_code == 410
    gone = call("GET", f"{GUIDANCE}/{decision}")
    assert gone.status_code == 404
    assert "it was erased and its id with it" in issue(gone)["details"]["text"]
    assert "/fhir/AuditEvent/log-{index}" in issue(gone)["diagnostics"]
    event = call("GET", "/fhir/AuditEvent/log-0").json()  # it says so indeed
    assert event["resourceType"] == "AuditEvent"
    assert "erased" in str(event)
    assert valid(call("GET", GUIDANCE))["total"] == 0
    for call_of in ("$replay", "$record"):
        answer = call("POST", f"{GUIDANCE}/{decision}/{call_of}?entry=0")
        assert answer.status_code == 410
        assert "/log/proof/inclusion/0" in answer.text
        assert answer.headers["link"] == '</log/proof/inclusion/0>; rel="related"'
    feedback = said(**ACCEPTED, entry={"valueInteger": 0})
    address = f"{GUIDANCE}/{decision}/$feedback"
    assert call("POST", address, content=feedback, headers=JSON).status_code == 410
    assert call("POST", f"{GUIDANCE}/$replay?entry=0").status_code == 410


@pytest.mark.parametrize("operation", ["$replay", "$record", "$feedback"])
def test_of_nothing_recorded_nothing_is_said(call: Call, decision: str, operation: str) -> None:
    content = said(**ACCEPTED) if operation == "$feedback" else said(entry={"valueInteger": 0})
    answer = call("POST", f"{GUIDANCE}/{OTHER}/{operation}", content=content, headers=JSON)

    assert answer.status_code == 404
    assert issue(answer)["code"] == "not-found"


def test_another_tenant_has_no_part_in_it(service: Service, call: Call, decision: str) -> None:
    other = make_app(service, who=lambda _: Origin("other"))

    for method, path in (
        ("GET", f"{GUIDANCE}/{decision}"),
        ("GET", f"{GUIDANCE}/{decision}/_history/0"),
        ("GET", f"{GUIDANCE}/{decision}/$record"),
        ("GET", f"{GUIDANCE}/{decision}/$record?entry=0"),
        ("POST", f"{GUIDANCE}/{decision}/$replay"),
        ("POST", f"{GUIDANCE}/$replay?entry=0"),
    ):
        assert call(method, path).status_code == 200
        assert call_app(other, method, path).status_code == 404
    address = f"{GUIDANCE}/{decision}/$feedback"
    for given in (ACCEPTED, ACCEPTED | {"entry": {"valueInteger": 0}}):
        answer = call_app(other, "POST", address, content=said(**given), headers=JSON)
        assert answer.status_code == 404
    assert valid(call_app(other, "GET", GUIDANCE))["total"] == 0


@pytest.mark.parametrize("version", ["1", "-1", "x", "9" * 30, "0'"])
def test_no_such_version(call: Call, decision: str, version: str) -> None:
    assert call("GET", f"{GUIDANCE}/{decision}/_history/{version}").status_code == 404
    assert call("GET", f"{GUIDANCE}/{OTHER}/_history/0").status_code == 404


@pytest.mark.parametrize("name", ["$feedback", "' OR 1=1 --", "log-0", OTHER, "%00"])
def test_no_such_decision(call: Call, decision: str, name: str) -> None:
    assert call("GET", f"{GUIDANCE}/{name}").status_code == 404


@pytest.mark.parametrize("name", ["$replay", "_search"])
def test_what_is_there_for_post_only_is_not_taken_for_an_id(call: Call, name: str) -> None:
    answer = call("GET", f"{GUIDANCE}/{name}")

    assert (answer.status_code, answer.headers["allow"]) == (405, "OPTIONS, POST")


def test_the_definitions_are_those_of_what_is_served(call: Call, decision: str) -> None:
    claimed = call("GET", "/fhir/metadata").json()["rest"][0]["resource"]
    (resource,) = [each for each in claimed if each["type"] == "GuidanceResponse"]
    codes = [each["code"] for each in resource["interaction"]]
    assert codes == ["read", "vread", "search-type"]
    assert resource["versioning"] == "versioned"
    paths = call("GET", "/openapi.json").json()["paths"]
    found = set()
    for operation in resource["operation"]:
        definition = call("GET", operation["definition"].replace(BASE, "/fhir")).json()
        get_fhir_model_class("OperationDefinition").model_validate(definition)
        assert operation["name"] == definition["code"]
        found.add(definition["code"])
        assert f"{GUIDANCE}/{{id}}/${definition['code']}" in paths
        assert (f"{GUIDANCE}/${definition['code']}" in paths) == definition["type"]
    assert found == {"record", "replay", "feedback"}
    defined = [
        each
        for (kind, _), each in artefacts(protocol(), BASE).items()
        if kind == "OperationDefinition" and "GuidanceResponse" in each["resource"]
    ]
    assert len(defined) == 3
