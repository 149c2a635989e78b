"""Everything beside the operation: metadata, artefacts, health, documentation, refusals."""

import asyncio
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from fastapi import FastAPI
from fhir.resources.R4B import get_fhir_model_class

from cds_service import errors
from cds_service.fhir.artefacts import artefacts
from cds_service.service import Service
from cds_service.web import problems
from cds_service.web.app import make_app
from cds_service.web.artefact_search import SEARCH
from cds_service.web.representation import SHAPING
from cds_service.web.search import PARAMETERS

from .conftest import Call, call_app, issue, protocol
from .sample import BASE, PATH


def test_the_statement_is_valid_and_names_the_operation(call: Call) -> None:
    answer = call("GET", "/fhir/metadata")

    assert answer.status_code == 200
    statement = answer.json()
    get_fhir_model_class("CapabilityStatement").model_validate(statement)
    assert statement["fhirVersion"] == "4.0.1"
    plan = next(r for r in statement["rest"][0]["resource"] if r["type"] == "PlanDefinition")
    assert plan["operation"] == [
        {"name": "apply", "definition": f"{BASE}/OperationDefinition/apply-infant-plan"},
        {"name": "referral-note", "definition": f"{BASE}/OperationDefinition/write-referral-note"},
    ]


def test_every_claimed_interaction_works(call: Call) -> None:
    claimed = call("GET", "/fhir/metadata").json()["rest"][0]["resource"]
    found = set()
    for resource in claimed:
        if resource["type"] in PARAMETERS:
            continue  # of the log: test_audit_search.py
        codes = {interaction["code"] for interaction in resource.get("interaction", [])}
        assert codes in (set(), {"read", "search-type"})
        if codes:
            everything = call("GET", f"/fhir/{resource['type']}").json()
            get_fhir_model_class("Bundle").model_validate(everything)
            assert everything["total"] == len(everything["entry"]) > 0
            for entry in everything["entry"]:
                name = entry["resource"]["id"]
                found.add((resource["type"], name))
                one = call("GET", f"/fhir/{resource['type']}/{name}")
                assert one.json() == entry["resource"]
                assert call("GET", entry["fullUrl"]).content == one.content

    assert found == set(artefacts(protocol(), BASE))


def test_every_claimed_search_parameter_narrows_down(call: Call) -> None:
    claimed = call("GET", "/fhir/metadata").json()["rest"][0]["resource"]
    systems = next(resource for resource in claimed if resource["type"] == "CodeSystem")
    assert [parameter["name"] for parameter in systems["searchParam"]] == list(SEARCH)

    version = protocol().version
    for query in (
        "_id=finding",
        f"url={BASE}/CodeSystem/finding",
        "name=FIND",
        f"name=finding&version={version}",
    ):
        answer = call("GET", f"/fhir/CodeSystem?{query}").json()
        assert [entry["resource"]["id"] for entry in answer["entry"]] == ["finding"]
        assert query.split("=")[0] in answer["link"][0]["url"]


def test_a_search_that_finds_nothing_has_no_entry(call: Call) -> None:
    answer = call("GET", "/fhir/CodeSystem?_id=of-elsewhere").json()

    assert answer["total"] == 0
    assert "entry" not in answer


def test_an_unknown_search_parameter_is_passed_over_unless_strict(call: Call) -> None:
    address = "/fhir/CodeSystem?colour=red"

    lenient = call("GET", address)
    assert lenient.status_code == 200
    assert "colour" not in lenient.json()["link"][0]["url"]
    assert call("GET", address, headers={"prefer": "handling=strict"}).status_code == 400


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/fhir/CodeSystem"),
        ("PUT", "/fhir/CodeSystem/finding"),
        ("DELETE", "/fhir/CodeSystem/finding"),
        ("PATCH", "/fhir/metadata"),
        ("POST", "/fhir/PlanDefinition/$apply"),
        ("POST", "/health/live"),
    ],
)
def test_what_is_not_claimed_is_not_allowed(call: Call, method: str, path: str) -> None:
    answer = call(method, path)

    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD, OPTIONS"
    assert issue(answer)["code"] == "not-supported"


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/try"),
        ("GET", "/fhir/Bundle"),
        ("GET", "/fhir/metadata/"),
        ("GET", "/fhir/Patient"),
        ("GET", "/fhir/PlanDefinition/none"),
        ("GET", "/fhir/CodeSystem/none"),
        ("GET", "/fhir/CodeSystem/finding/_history/1"),
        ("POST", "/fhir/PlanDefinition/sick-child/$apply"),
        ("POST", "/fhir/Bundle"),
        ("GET", "/static-offline-docs/none.js"),
        ("GET", "/static-offline-docs/../../core.py"),
    ],
)
def test_nothing_else_is_found(call: Call, method: str, path: str) -> None:
    answer = call(method, path)

    assert answer.status_code == 404
    assert issue(answer)["code"] == "not-found"
    assert "metadata" in issue(answer)["diagnostics"]


@pytest.mark.parametrize("path", ["/fhir/metadata", "/fhir/CodeSystem/finding", "/health/live"])
def test_head_is_get_without_the_body(call: Call, path: str) -> None:
    full, head = call("GET", path), call("HEAD", path)

    assert head.status_code == full.status_code == 200
    assert head.content == b""
    assert head.headers["content-length"] == str(len(full.content))


def test_options_says_what_is_allowed(call: Call) -> None:
    answer = call("OPTIONS", "/fhir/metadata")

    assert (answer.status_code, answer.headers["allow"]) == (204, "GET, HEAD, OPTIONS")


@pytest.mark.parametrize("path", ["/fhir/metadata", "/fhir/ValueSet", "/fhir/CodeSystem/finding"])
def test_only_json_is_written(call: Call, path: str) -> None:
    assert call("GET", path, headers={"accept": "application/fhir+xml"}).status_code == 406
    assert call("GET", path + "?_format=xml").status_code == 406


@pytest.mark.parametrize("path", ["/fhir/metadata", "/health/live", "/docs", "/nowhere"])
def test_every_answer_has_the_common_headers(call: Call, path: str) -> None:
    headers = call("GET", path, headers={"x-request-id": "tolm-ford-3"}).headers

    assert headers["x-request-id"] == "tolm-ford-3"
    assert headers["x-content-type-options"] == "nosniff"
    for rule in ("frame-ancestors 'none'", "object-src 'none'", "base-uri 'none'"):
        assert rule in headers["content-security-policy"]
    assert headers["referrer-policy"] == "same-origin"
    assert len(headers.get_list("cache-control")) == 1


def test_alive(call: Call) -> None:
    answer = call("GET", "/health/live")

    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/health+json"
    assert answer.json() == {"status": "pass", "releaseId": "0.1.0"}


def test_ready_when_the_log_takes_entries(call: Call) -> None:
    answer = call("GET", "/health/ready")

    assert answer.status_code == 200
    assert answer.json()["status"] == "pass"
    assert answer.json()["checks"]["content"][0]["observedValue"] == protocol().digest


def test_not_ready_when_the_log_takes_none(call: Call, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        answer = call("GET", "/health/ready")

    assert answer.status_code == 503
    assert answer.json()["checks"]["log"][0]["status"] == "fail"


def test_the_documentation_needs_no_other_host(call: Call) -> None:
    page = call("GET", "/docs").text
    addresses = re.findall(r"""(?:src|href)=["']([^"']+)""", page)

    assert "swagger-ui-bundle.js" in page
    assert not re.search(r"https?://", page)
    assert len(addresses) >= 3
    for address in addresses:
        assert call("GET", address).status_code == 200


def test_the_description_has_the_operation_and_its_schemas(call: Call) -> None:
    document = call("GET", "/openapi.json").json()
    operation = document["paths"][PATH]["post"]

    assert set(operation["responses"]) == {
        "200", "204", "400", "405", "406", "410", "413", "415", "422", "500", "503",
    }  # fmt: skip
    named = set(re.findall(r'"#/components/schemas/(\w+)"', str(document).replace("'", '"')))
    assert named <= set(document["components"]["schemas"])
    assert {"Parameters", "Bundle", "Observation", "OperationOutcome"} <= named
    assert "/fhir/metadata" in document["paths"]
    assert set(document["paths"]["/fhir"]) == {"post"}
    assert set(document["paths"]["/fhir"]["post"]["responses"]) == {
        "200", "400", "405", "406", "413", "415", "422", "500", "501", "503",
    }  # fmt: skip


def test_the_examples_of_the_description_are_answered(call: Call) -> None:
    paths = call("GET", "/openapi.json").json()["paths"]
    found = 0
    for path, operations in paths.items():
        content = operations.get("post", {}).get("requestBody", {}).get("content", {})
        for media, described in content.items():
            for example in described.get("examples", {}).values():
                found += 1
                headers = {"content-type": media, "prefer": "handling=strict"}
                answer = call("POST", path, json=example["value"], headers=headers)
                assert answer.status_code == 200, path
                if path == "/fhir":
                    each = [entry["response"]["status"] for entry in answer.json()["entry"]]
                    assert each == ["200", "200"]
    assert found == 6


def test_every_method_of_an_address_is_allowed(call: Call) -> None:
    path = "/fhir/GuidanceResponse/none/$record"  # a route for each of its methods

    for method in ("OPTIONS", "DELETE"):
        assert call(method, path).headers["allow"] == "GET, HEAD, OPTIONS, POST"


def test_the_description_claims_exactly_what_the_artefacts_answer(call: Call) -> None:
    paths = call("GET", "/openapi.json").json()["paths"]
    read, search = (paths[f"/fhir/CodeSystem{rest}"]["get"] for rest in ("/{id}", ""))

    assert set(read["responses"]) == {"200", "304", "400", "404", "406"}
    assert set(search["responses"]) == {"200", "304", "400", "406"}
    assert set(paths["/fhir/metadata"]["get"]["responses"]) == {
        "200", "304", "400", "406",
    }  # fmt: skip
    for refusal in ("404", "406"):
        (content,) = read["responses"][refusal]["content"].items()
        assert content[0] == "application/fhir+json"
        assert content[1]["schema"]["$ref"].endswith("/OperationOutcome")
    assert [(each["name"], each["in"]) for each in read["parameters"]] == [
        ("id", "path"),
        *((name, "query") for name in SHAPING),
        ("If-None-Match", "header"),
    ]
    named = {each["name"] for each in search["parameters"] if each["in"] == "query"}
    assert named == {*SEARCH, *SHAPING}


def test_the_description_is_free_of_names_from_inside(call: Call) -> None:
    document = call("GET", "/openapi.json").text
    inside = [name for name, kind in vars(errors).items() if isinstance(kind, type)]

    for name in (*inside, "HTTPValidationError", "ValidationError", "Raw"):
        if name != "Problem":  # also an English word
            assert not re.search(rf"\b{name}\b", document), name


def test_the_schemas_are_those_of_the_reader(call: Call) -> None:
    schemas = call("GET", "/openapi.json").json()["components"]["schemas"]

    assert set(schemas["Observation"]["required"]) == {"resourceType", "status", "code"}
    assert not [name for name in schemas if "_" in name]
    assert "entered-in-error" in schemas["Observation"]["properties"]["status"]["enum"]
    assert re.match(schemas["Patient"]["properties"]["birthDate"]["pattern"], "2026-02-20")


def test_a_fault_beside_the_operation_is_told_in_fhir(
    service: Service, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fail() -> None:
        raise ZeroDivisionError("Orla Fenn")

    monkeypatch.setattr(service.store, "ready", fail)
    answer = call_app(make_app(service), "GET", "/health/ready")

    assert answer.status_code == 500
    assert issue(answer)["code"] == "exception"
    assert "ZeroDivisionError" in caplog.text
    assert "Orla" not in caplog.text + answer.text


def test_a_wrong_parameter_of_the_address_is_told_in_fhir() -> None:
    app = FastAPI()
    problems.add_handlers(app)

    @app.get("/entry/{index}")
    async def entry(index: int) -> int:
        return index

    answer = call_app(app, "GET", "/entry/first")
    assert answer.status_code == 400
    assert issue(answer)["code"] == "value"


def test_the_log_is_closed_with_the_application(service: Service) -> None:
    steps = iter(["startup", "shutdown"])
    told: list[str] = []

    async def receive() -> dict[str, str]:
        return {"type": f"lifespan.{next(steps)}"}

    async def send(message: dict[str, str]) -> None:
        told.append(message["type"])

    asyncio.run(make_app(service)({"type": "lifespan", "state": {}}, receive, send))

    assert told == ["lifespan.startup.complete", "lifespan.shutdown.complete"]
    answer = call_app(make_app(service), "GET", "/health/ready")
    assert answer.status_code == 503
