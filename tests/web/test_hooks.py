"""CDS Hooks over HTTP: the calls and answers of the specification (community text of 2.0,
cds-hooks/docs, docs/specification/current.md), with invented infants."""

import asyncio
import json
from typing import Any

import httpx
import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from cds_service.web.app import make_app
from tests.hooks import INSTANCE, plan_call, sent
from tests.logs import entry_at

from .conftest import Call, call_app, issue
from .sample import body, bundle

PLAN = "/cds-services/sick-young-infant-plan"
JSON = {"content-type": "application/json"}
Json = dict[str, Any]


@pytest.fixture
def ask(call: Call) -> Call:
    def send(asked: Json | bytes | None = None, path: str = PLAN, **headers: str) -> httpx.Response:
        content = asked if isinstance(asked, bytes) else sent(asked or plan_call(body()))
        return call("POST", path, content=content, headers=JSON | headers)

    return send


def cards(answer: httpx.Response) -> list[Json]:
    assert answer.status_code == 200, answer.text
    found: list[Json] = answer.json()["cards"]
    return found


def topics(answer: httpx.Response) -> dict[str, Json]:
    return {each["source"]["topic"]["code"]: each for each in cards(answer)}


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


# Prefetch: absent, null, single, in error, in part


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


def other(number: int) -> str:
    return f"{INSTANCE[:-2]}{number:02x}"


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


# Hostile input


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


# Feedback: the examples of the specification


def feedback(card: str, **said: Any) -> bytes:
    one = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2020-12-11T00:00:00Z"}
    return orjson.dumps({"feedback": [one | said]})


def test_feedback_is_recorded_about_the_answer(ask: Call, store: SqliteStore) -> None:
    dealt = cards(ask())
    for number, card in enumerate(dealt):
        answer = ask(feedback(card["uuid"]), f"{PLAN}/feedback")
        assert answer.status_code == 200, answer.text
        entry = entry_at(store, number + 1)
        assert entry is not None
        assert (entry.kind, entry.about, entry.outcome) == ("feedback", 0, "overridden")
        assert json.loads(entry.request)["card"] == card["uuid"]


def test_an_accepted_suggestion_and_reasons_are_recorded(ask: Call, store: SqliteStore) -> None:
    card = topics(ask())["treatment"]
    accepted = [{"id": card["suggestions"][0]["uuid"]}]
    answer = ask(
        feedback(card["uuid"], outcome="accepted", acceptedSuggestions=accepted),
        f"{PLAN}/feedback",
    )
    assert answer.status_code == 200
    reason = {"reason": card["overrideReasons"][0], "userComment": "the clinic of Marrow Vale"}
    assert ask(feedback(card["uuid"], overrideReason=reason), f"{PLAN}/feedback").status_code == 200
    entry = entry_at(store, 2)
    assert entry is not None
    assert b"Marrow Vale" in entry.request


def test_feedback_that_fits_no_card_is_refused_and_records_nothing(
    ask: Call, store: SqliteStore
) -> None:
    card = topics(ask())["now"]
    path = f"{PLAN}/feedback"
    unknown = "f6b95768-b1c8-40dc-8385-bf3504b82ffb"  # of the specification's example
    assert ask(feedback(unknown), path).status_code == 404
    assert ask(feedback("x"), path).status_code == 404
    elsewhere = "/cds-services/medicine-dose-check/feedback"
    assert ask(feedback(card["uuid"]), elsewhere).status_code == 404
    both = (
        json.loads(feedback(card["uuid"]))["feedback"] + json.loads(feedback(unknown))["feedback"]
    )
    assert ask(orjson.dumps({"feedback": both}), path).status_code == 404
    nothing = feedback(card["uuid"], outcome="accepted")
    assert ask(nothing, path).status_code == 400
    wrong = feedback(card["uuid"], outcome="accepted", acceptedSuggestions=[{"id": unknown}])
    assert ask(wrong, path).status_code == 422
    for bad in (b"{}", b'{"feedback":[]}', feedback(card["uuid"], outcome="ignored"),
                feedback(card["uuid"], outcomeTimestamp="yesterday")):  # fmt: skip
        assert ask(bad, path).status_code == 400
    assert asyncio.run(store.size()) == 1


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
