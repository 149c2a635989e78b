"""CDS Hooks over HTTP: the calls and answers of the specification (community text of 2.0,
cds-hooks/docs, docs/specification/current.md), with invented infants."""

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from cds_service.web.app import make_app
from tests.hooks import INSTANCE, plan_call, sent
from tests.logs import entry_at

from .conftest import Call, call_app, issue
from .hook_calls import JSON, PLAN, asking, cards, topics
from .sample import body


@pytest.fixture
def ask(call: Call) -> Call:
    return asking(call)


# Discovery


def test_discovery_lists_services_that_are_there(call: Call, ask: Call) -> None:
    answer = call("GET", "/cds-services")
    assert answer.headers["content-type"] == "application/json"
    services = answer.json()["services"]
    assert [(each["id"], each["hook"]) for each in services] == [
        ("sick-young-infant-plan", "patient-view"),
        ("medicine-dose-check", "order-sign"),
        ("medicine-dose-check-select", "order-select"),
    ]
    for each in services:
        assert {"hook", "description", "id", "title", "prefetch"} <= set(each)
        path = f"/cds-services/{each['id']}"
        assert ask(b"{", path).status_code == 400  # it is there, and reads
        assert ask(b"{", f"{path}/feedback").status_code == 400
        assert call("GET", path).status_code == 405
        assert call("OPTIONS", path).status_code == 204
    assert call("HEAD", "/cds-services").content == b""


def test_the_templates_use_only_what_the_specification_recommends(call: Call) -> None:
    # "Prefetch query restrictions": reads, and searches by reference; tokens of the context.
    for service in call("GET", "/cds-services").json()["services"]:
        for query in service["prefetch"].values():
            kind, _, rest = query.partition("?")
            assert kind.partition("/")[0].isalpha()
            asked = rest or kind.partition("/")[2]
            assert asked.removeprefix("patient=") in (
                "{{context.patientId}}",
                "{{context.encounterId}}",
            )


def test_an_unknown_service_is_not_found(ask: Call, call: Call) -> None:
    for path in ("/cds-services/nothing", "/cds-services/nothing/feedback"):
        answer = ask(None, path)
        assert answer.status_code == 404
        assert "GET /cds-services" in issue(answer)["diagnostics"]


# A plan


def test_a_plan_is_told_in_cards_and_is_in_the_log(
    ask: Call, store: SqliteStore, service: Service
) -> None:
    asked = sent(plan_call(body()))
    answer = ask(asked)
    assert answer.headers["content-type"] == "application/json"
    told = topics(answer)
    assert list(told) == ["now", "treatment", "missing", "cautions"][: len(told)]
    assert told["now"]["indicator"] == "critical"
    assert "systemActions" not in answer.json()
    entry = entry_at(store, int(answer.headers["cds-log-index"]))
    assert entry is not None
    assert (entry.request, entry.response) == (asked, answer.content)
    assert entry.patient == "http://tolm-ford.example/fhir/Patient/orla-fenn"
    assert replay(entry, Library(), base=service.base) == answer.content
    assert answer.headers["cds-decision-id"] == entry.decision_id


def test_the_doses_are_those_of_the_main_call(ask: Call, post: Call) -> None:
    ours = topics(ask())["treatment"]
    main = [each["resource"] for each in post().json()["entry"]]
    doses = [
        each["dosageInstruction"] for each in main if each["resourceType"] == "MedicationRequest"
    ]
    drafted = [
        action["resource"]["dosageInstruction"]
        for suggestion in ours["suggestions"]
        for action in suggestion["actions"]
        if action["resource"]["resourceType"] == "MedicationRequest"
    ]
    assert drafted
    assert all(each in doses for each in drafted)
    for dosage in drafted:
        assert dosage[0]["text"].split(" by ")[0].partition(" (")[0] in ours["detail"]


def test_every_card_says_who_decides(ask: Call) -> None:
    for card in cards(ask()):
        assert card["detail"].endswith(
            "Proposal for a licensed health worker, who decides. The national protocol prevails."
        )


def test_the_same_call_again_is_answered_from_the_log(ask: Call, store: SqliteStore) -> None:
    first, again = ask(), ask()
    assert again.content == first.content
    assert again.headers["cds-log-index"] == first.headers["cds-log-index"]
    assert again.headers["idempotency-replayed"] == "true"
    other = plan_call(body(asOf={"valueDateTime": "2026-03-02T09:31:00+02:00"}))
    refused = ask(other)
    assert refused.status_code == 422
    assert issue(refused)["code"] == "conflict"
    fresh = ask(other | {"hookInstance": INSTANCE[:-1] + "b"})
    assert fresh.status_code == 200


def test_an_access_token_is_not_kept(ask: Call, store: SqliteStore) -> None:
    authorization = {  # the example of the specification
        "access_token": "some-opaque-fhir-access-token",
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "patient/Patient.read patient/Observation.read",
        "subject": "cds-service4",
    }
    call = plan_call(body(), fhirServer="http://tolm-ford.example/fhir")
    answer = ask(call | {"fhirAuthorization": authorization})
    assert answer.status_code == 200
    entry = entry_at(store, 0)
    assert entry is not None
    assert b"opaque" not in entry.request
    assert ask(call | {"fhirAuthorization": authorization}).content == answer.content


def test_references_to_the_callers_server_are_relative_in_drafts(ask: Call) -> None:
    call = plan_call(body(), fhirServer="http://tolm-ford.example/fhir/")
    text = orjson.dumps([card.get("suggestions") for card in cards(ask(call))])
    assert b'"reference":"Patient/orla-fenn"' in text
    assert b"http://tolm-ford.example" not in text


def test_the_caregivers_words_follow_accept_language(ask: Call) -> None:
    answer = ask(**{"accept-language": "sw"})
    assert answer.headers["content-language"] == "en, sw"
    assert b'"language":"sw"' in answer.content


# The log for auditors


def test_an_auditor_sees_the_call_as_one_of_cds_hooks(ask: Call, call: Call) -> None:
    answer = ask()
    event = call("GET", "/fhir/AuditEvent/log-0").json()
    codes = [each["code"] for each in event["subtype"]]
    assert codes == ["operation", "recommendation", "cds-hooks"]
    decision = answer.headers["cds-decision-id"]
    assert call("GET", f"/fhir/GuidanceResponse/{decision}").status_code == 404
    replayed = call("POST", "/fhir/GuidanceResponse/$replay?entry=0").json()
    assert replayed["parameter"][0] == {"name": "equal", "valueBoolean": True}
    record = call("GET", f"/fhir/GuidanceResponse/{decision}/$record").json()
    kinds = [each["resource"]["resourceType"] for each in record["entry"]]
    assert kinds == ["AuditEvent", "Binary", "Binary"]


# CORS


ORIGIN = "https://record.tolm-ford.example"
PREFLIGHT = {"origin": ORIGIN, "access-control-request-method": "POST"}


def test_pages_of_other_origins_are_shut_out_by_default(call: Call) -> None:
    answer = call("GET", "/cds-services", headers={"origin": ORIGIN})
    assert not [name for name in answer.headers if name.startswith("access-control")]


def test_pages_of_a_listed_origin_may_call(service: Service) -> None:
    app = make_app(service, origins=[ORIGIN])
    answer = call_app(app, "GET", "/cds-services", headers={"origin": ORIGIN})
    assert answer.headers["access-control-allow-origin"] == ORIGIN
    assert answer.headers["vary"] == "Origin"
    assert "access-control-allow-credentials" not in answer.headers
    asked = call_app(app, "OPTIONS", PLAN, headers=PREFLIGHT)
    assert asked.status_code == 204
    assert "POST" in asked.headers["access-control-allow-methods"]
    assert "Content-Type" in asked.headers["access-control-allow-headers"]
    refused = call_app(app, "POST", PLAN, content=b"{", headers=JSON | {"origin": ORIGIN})
    assert refused.headers["access-control-allow-origin"] == ORIGIN  # errors are read, too


def test_pages_of_other_origins_and_other_paths_get_no_headers(service: Service) -> None:
    app = make_app(service, origins=[ORIGIN])
    other_origin = {"origin": "https://elsewhere.example", "access-control-request-method": "POST"}
    answers = [
        call_app(app, "OPTIONS", PLAN, headers=other_origin),
        call_app(app, "GET", "/cds-services", headers={"origin": "null"}),
        call_app(app, "GET", "/fhir/metadata", headers={"origin": ORIGIN}),
    ]
    for answer in answers:
        assert "access-control-allow-origin" not in answer.headers
