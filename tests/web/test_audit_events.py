"""Entries of the log as AuditEvents; fhir.resources is the judge of every answer."""

import asyncio
import base64
from collections.abc import Callable
from datetime import datetime

import pytest

from cds_service.audit.record import FEEDBACK, Origin, digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.tree import leaf_hash
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.changing import replace
from tests.logs import entry_at

from .auditing import AUDIT, ORLA, Json, indexes, valid
from .conftest import ACCEPTED, JSON, NOW, OVERRIDDEN, Call, call_app, issue, said
from .sample import BASE, PATH, body

KEY = "8e03978e-40d5-43e8-bc93-6894a57f9324"


def detail(event: Json, name: str) -> list[str]:
    """The values of one entity.detail."""
    found = [each for entity in event["entity"] for each in entity.get("detail", ())]
    return [
        next(v for k, v in each.items() if k != "type") for each in found if each["type"] == name
    ]


def test_a_recommendation_has_the_shape_of_balp(call: Call, post: Call, store: SqliteStore) -> None:
    # IHE/ITI.BasicAudit, input/fsh/PatientCreate.fsh: codes of type, outcome, agents, entities.
    answer = post(idempotency_key=f'"{KEY}"')
    event = valid(call("GET", f"{AUDIT}/log-0"))

    assert event["type"]["code"] == "rest"
    assert event["type"]["system"] == "http://terminology.hl7.org/CodeSystem/audit-event-type"
    assert event["subtype"][0]["system"] == "http://hl7.org/fhir/restful-interaction"
    assert [each["code"] for each in event["subtype"]] == ["operation", "recommendation"]
    assert (event["action"], event["outcome"]) == ("E", "0")
    assert datetime.fromisoformat(event["recorded"]) == NOW
    roles = [each["type"]["coding"][0]["code"] for each in event["agent"]]
    assert roles == ["110153", "110152"]  # client: Source Role ID, server: Destination Role ID
    assert [each["requestor"] for each in event["agent"]] == [True, False]
    assert event["source"]["observer"] == event["agent"][1]["who"]
    patient, data, transaction = event["entity"]
    assert (patient["type"]["code"], patient["role"]["code"]) == ("1", "1")
    assert patient["what"] == {"reference": ORLA}
    assert (data["type"]["code"], data["role"]["code"]) == ("2", "4")
    decision = answer.headers["cds-decision-id"]
    assert data["what"]["reference"] == f"GuidanceResponse/{decision}/_history/0"
    assert transaction["what"]["identifier"]["value"] == KEY


def test_the_event_says_where_the_proof_is_and_what_it_proves(call: Call, post: Call) -> None:
    post()
    event = call("GET", f"{AUDIT}/log-0").json()
    (address,), (hashed,) = detail(event, "proof"), detail(event, "leaf-hash")

    assert call("GET", address).text.startswith("c2sp.org/tlog-proof@v1\nindex 0\n")
    assert base64.b64decode(hashed) == leaf_hash(call("GET", "/log/entries/0").content)


def test_a_known_caller_and_tenant_are_agents(service: Service) -> None:
    app = make_app(service, who=lambda _: Origin("marrow-vale", "desk-2"))
    call_app(app, "POST", PATH, content=body(), headers=JSON)
    event = valid(call_app(app, "GET", f"{AUDIT}/log-0"))

    client, _, custodian = event["agent"]
    assert client["who"]["identifier"] == {"system": f"{BASE}/sid/caller", "value": "desk-2"}
    assert custodian["who"]["identifier"] == {
        "system": f"{BASE}/sid/tenant",
        "value": "marrow-vale",
    }
    assert custodian["type"]["coding"][0]["code"] == "CST"
    for agent in ("desk-2", "Device/desk-2", "Organization/marrow-vale"):
        assert indexes(valid(call_app(app, "GET", f"{AUDIT}?agent={agent}"))) == [0]
    for agent in ("desk-3", "Device/marrow-vale", "Organization/desk-2"):
        assert indexes(valid(call_app(app, "GET", f"{AUDIT}?agent={agent}"))) == []


def test_feedback_and_erasure_are_events_of_their_own(
    call: Call, decision: str, service: Service, search: Callable[[str], list[int]]
) -> None:
    address = f"/fhir/GuidanceResponse/{decision}/$feedback"
    call("POST", address, content=said(**OVERRIDDEN), headers=JSON)
    call("POST", address, content=said(**ACCEPTED), headers=JSON)

    assert search("subtype=feedback") == [2, 1]
    assert search("subtype=overridden") == [1]
    assert search("subtype=accepted") == [2]
    assert search("subtype=recommendation,feedback") == [2, 1, 0]
    assert search("entity=AuditEvent/log-0") == [2, 1]
    assert search(f"entity=GuidanceResponse/{decision}") == [2, 1, 0]
    assert search(f"entity=GuidanceResponse/{decision}/_history/0") == [2, 1, 0]
    event = valid(call("GET", f"{AUDIT}/log-1"))
    assert [each["code"] for each in event["subtype"]] == ["operation", "feedback", "overridden"]
    nurse = event["agent"][2]
    assert nurse["who"] == {"reference": "Practitioner/quill", "display": "Nurse Quill"}
    assert (nurse["requestor"], nurse["type"]["coding"][0]["code"]) == (True, "AUT")
    assert detail(event, "reason") == ["The mother of marmalade lane declines referral"]
    assert event["entity"][2]["what"] == {"reference": "AuditEvent/log-0"}

    asyncio.run(service.erase(0, "on request"))
    gone, why = (valid(call("GET", f"{AUDIT}/log-{index}")) for index in (0, 5))
    assert detail(gone, "erased-by") == ["AuditEvent/log-5"]
    assert "orla-fenn" not in str(gone)
    assert why["action"] == "D"
    assert why["type"]["code"] == "destroy"
    assert detail(why, "reason") == ["on request"]
    assert why["entity"][1]["what"] == {"reference": "AuditEvent/log-0"}
    # What was fed back names the infant too: it is erased first.
    assert search("subtype=erasure") == [5, 4, 3]
    assert search(f"patient={ORLA}") == []


def test_a_feedback_of_another_form_is_shown_all_the_same(
    call: Call, decision: str, store: SqliteStore
) -> None:
    body = b"{}"
    other = replace(
        entry_at(store, 0),
        kind=FEEDBACK,
        about=0,
        request=body,
        request_sha256=digest(body),
        outcome="accepted",
    )
    asyncio.run(store.append(other))
    event = valid(call("GET", f"{AUDIT}/log-1"))

    assert [each["code"] for each in event["subtype"]][1:] == ["feedback", "accepted"]


def test_a_referral_note_is_told_from_a_recommendation(call: Call) -> None:
    call("POST", PATH.replace("$apply", "$referral-note"), content=body(), headers=JSON)
    event = valid(call("GET", f"{AUDIT}/log-0"))

    assert [each["code"] for each in event["subtype"]][1:] == ["recommendation", "referral-note"]
    assert "reference" not in event["entity"][1]["what"]


@pytest.mark.parametrize("name", ["log-1", "log-", "log--1", "log-x", "0", "log-" + "9" * 40])
def test_no_such_event(call: Call, post: Call, name: str) -> None:
    post()
    answer = call("GET", f"{AUDIT}/{name}")

    assert answer.status_code == 404
    assert issue(answer)["code"] == "not-found"


def test_another_tenant_finds_and_reads_nothing(service: Service, call: Call, post: Call) -> None:
    decision = post().headers["cds-decision-id"]
    other = make_app(service, who=lambda _: Origin("other"))

    for query in ("", f"patient={ORLA}", "_id=log-0", f"entity=GuidanceResponse/{decision}"):
        assert valid(call_app(other, "GET", f"{AUDIT}?{query}"))["total"] == 0
    for query in ("patient-of=0", "agent=Organization/other&patient-of=0"):
        assert call_app(other, "GET", f"{AUDIT}?{query}").status_code == 404
    assert call_app(other, "GET", f"{AUDIT}/log-0").status_code == 404


def test_only_json_is_written(call: Call) -> None:
    assert call("GET", AUDIT, headers={"accept": "application/fhir+xml"}).status_code == 406
    assert call("GET", f"{AUDIT}?_format=xml").status_code == 406
