"""GuidanceResponse read and searched in the log, and the operations on it."""

import asyncio
from typing import Any

import orjson
import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.record import Origin, digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.fhir.artefacts import artefacts
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.changing import replace
from tests.logs import entry_at

from .conftest import ACCEPTED, JSON, OVERRIDDEN, Call, call_app, issue, protocol, said
from .sample import BASE, PATH, body, bundle
from .test_audit_events import ORLA, links, valid

GUIDANCE = "/fhir/GuidanceResponse"
NOTE = PATH.replace("$apply", "$referral-note")
OTHER = "00000000-0000-5000-8000-000000000000"
FORM = {"content-type": "application/x-www-form-urlencoded"}


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


def values(parameters: dict[str, Any], name: str) -> list[Any]:
    """The values, or the parts, of the parameters of that name."""
    return [
        next(value for key, value in each.items() if key != "name")
        for each in parameters["parameter"]
        if each["name"] == name
    ]


@pytest.fixture
def feed(call: Call, decision: str) -> Call:
    address = f"{GUIDANCE}/{decision}/$feedback"
    return lambda **given: call("POST", address, content=said(**given), headers=JSON)


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


def test_the_record_has_everything_as_the_bytes_it_was(call: Call, post: Call, feed: Call) -> None:
    feed(**OVERRIDDEN)
    answer = post()
    decision = answer.headers["cds-decision-id"]
    # Both entries are of the same decision; the first has a feedback.
    for method in ("GET", "POST"):
        read = call(method, f"{GUIDANCE}/{decision}/$record?entry=0")
        record = valid(read)
        kinds = [each["resource"]["resourceType"] for each in record["entry"]]
        assert kinds == ["AuditEvent", "Parameters", "Bundle", "AuditEvent"]
        assert body() in read.content
        assert answer.content in read.content
        addresses = [each["fullUrl"] for each in record["entry"]]
        assert call("GET", addresses[1]).content == body()
        assert call("GET", addresses[2]).content == answer.content
        assert call("GET", addresses[3]).json() == record["entry"][3]["resource"]
    newest = valid(call("GET", f"{GUIDANCE}/{decision}/$record"))
    assert newest["entry"][0]["resource"]["id"] == "log-2"
    assert len(newest["entry"]) == 3


def test_replay_gives_the_same_bytes(call: Call, post: Call) -> None:
    decision = post(accept_language="sw").headers["cds-decision-id"]
    post(orjson.dumps(bundle()))
    post()
    told = valid(call("POST", f"{GUIDANCE}/{decision}/$replay"))

    assert values(told, "equal") == [True]
    replayed = [{"parameter": parts} for parts in values(told, "entry")]
    assert [values(each, "index") for each in replayed] == [["2"], ["0"]]
    assert [values(each, "equal") for each in replayed] == [[True], [True]]
    assert values(replayed[0], "proof") == ["/log/proof/inclusion/2"]
    assert call("GET", values(replayed[0], "proof")[0]).status_code == 200


def test_replay_of_a_note(call: Call) -> None:
    answer = call("POST", NOTE, content=body(), headers=JSON)
    told = valid(call("POST", f"{GUIDANCE}/{answer.headers['cds-decision-id']}/$replay"))

    assert values(told, "equal") == [True]


@pytest.mark.parametrize(
    "named",
    [
        {"content": said(entry={"valueInteger": 1}), "headers": JSON},
        {"params": {"entry": "1"}},
    ],
    ids=["in the body", "in the query"],
)
@pytest.mark.parametrize("every", [True, False])
def test_one_entry_is_replayed_when_it_is_named(
    call: Call, post: Call, named: dict[str, Any], every: bool
) -> None:
    decision = post().headers["cds-decision-id"]
    post()
    address = f"{GUIDANCE}/$replay" if every else f"{GUIDANCE}/{decision}/$replay"
    told = valid(call("POST", address, **named))

    assert [parts[0]["valueString"] for parts in values(told, "entry")] == ["1"]


def changed(store: SqliteStore, **changes: Any) -> None:
    """One more entry like the first, but for these changes."""
    asyncio.run(store.append(replace(entry_at(store, 0), **changes)))


def words(call: Call, index: int, name: str) -> list[str]:
    """What is said of the one entry that was replayed; it was not equal."""
    told = valid(call("POST", f"{GUIDANCE}/$replay?entry={index}"))
    (parts,) = values(told, "entry")
    assert values(told, "equal") == [False]
    assert values({"parameter": parts}, "equal") == ([False] if name == "difference" else [])
    return [str(each) for each in values({"parameter": parts}, name)]


def test_a_difference_is_told_in_words(call: Call, decision: str, store: SqliteStore) -> None:
    before = entry_at(store, 0).response
    for response in (before.replace(b"Clinical severe", b"Another", 1), b'{"entry":[]}'):
        changed(store, response=response, response_sha256=digest(response))

    same_care, another = (words(call, index, "difference") for index in (1, 2))
    assert same_care[0].startswith("No class, referral, medicine")
    assert len(same_care) == 2
    assert ": was " in same_care[1]
    assert "Gentamicin more" in " ".join(another)


def test_an_altered_entry_is_not_replayed_but_told(
    call: Call, decision: str, store: SqliteStore
) -> None:
    changed(store, response=b'{"entry":[]}')  # its hash is still that of another response

    (why,) = words(call, 1, "not-replayed")
    assert "altered" in why


def test_the_event_of_an_altered_entry_says_so_and_nothing_of_what_is_stored(
    call: Call, decision: str, store: SqliteStore
) -> None:
    recorded = entry_at(store, 0)
    altered = recorded.response.replace(b"gentamicin", b"amikacin")
    asyncio.run(store.append(replace(recorded, response=altered)))

    for answer in (
        call("GET", "/fhir/AuditEvent/log-1").json(),
        call("GET", "/fhir/AuditEvent?_id=log-1").json()["entry"][0]["resource"],
    ):
        assert "not what was recorded" in answer["outcomeDesc"]
        assert {"type": "altered", "valueString": "true"} in answer["entity"][0]["detail"]
        assert recorded.patient not in str(answer)
        assert decision not in str(answer)
    assert "altered" not in str(call("GET", "/fhir/AuditEvent/log-0").json())


@pytest.mark.parametrize("operation", ["", "/_history/1", "/$record", "/$record?entry=1"])
def test_an_altered_entry_is_not_shown_as_what_was_recorded(
    call: Call, decision: str, store: SqliteStore, operation: str
) -> None:
    before = entry_at(store, 0).response
    changed(store, response=before.replace(b"gentamicin", b"amikacin"))
    answer = call("GET", f"{GUIDANCE}/{decision}{operation}")

    assert answer.status_code == 500
    assert "Entry 1 of the log was altered" in issue(answer)["details"]["text"]
    assert call("GET", GUIDANCE).status_code == 500


def test_what_cannot_be_replayed_says_why(call: Call, decision: str, store: SqliteStore) -> None:
    changed(store, content_digest="0" * 64)
    changed(store, protocol="sick-young-infant|1066.1")

    assert "has changed since" in words(call, 1, "not-replayed")[0]
    assert words(call, 2, "not-replayed")


@pytest.mark.parametrize("operation", ["$replay", "$record", "$feedback"])
def test_of_nothing_recorded_nothing_is_said(call: Call, decision: str, operation: str) -> None:
    content = said(**ACCEPTED) if operation == "$feedback" else said(entry={"valueInteger": 0})
    answer = call("POST", f"{GUIDANCE}/{OTHER}/{operation}", content=content, headers=JSON)

    assert answer.status_code == 404
    assert issue(answer)["code"] == "not-found"


@pytest.mark.parametrize("entry", ["1", "99999999"])
def test_an_entry_that_is_no_recommendation_is_not_found(
    call: Call, feed: Call, decision: str, entry: str
) -> None:
    feed(**ACCEPTED)
    for operation in ("$replay", "$record"):
        answer = call("POST", f"{GUIDANCE}/{decision}/{operation}?entry={entry}")
        assert answer.status_code == 404


@pytest.mark.parametrize(
    "query", ["?entry=-1", "?entry=x", "?entry=1&entry=2", "?entry=" + "9" * 30, ""]
)
def test_an_entry_must_be_one_number(call: Call, query: str) -> None:
    answer = call("POST", f"{GUIDANCE}/$replay{query}")

    assert answer.status_code == 400
    assert issue(answer)["code"] == "required"


def test_a_feedback_is_a_new_entry_and_changes_nothing(
    call: Call, feed: Call, decision: str, store: SqliteStore
) -> None:
    before = call("GET", "/log/entries/0").content, call("GET", "/log/response/0").content
    answer = feed(**OVERRIDDEN)

    told = valid(answer)
    assert answer.headers["cds-log-index"] == "1"
    assert answer.headers["content-location"] == "/fhir/AuditEvent/log-1"
    assert values(told, "outcome") == ["overridden"]
    assert values(told, "about")[0]["reference"] == f"GuidanceResponse/{decision}/_history/0"
    after = call("GET", "/log/entries/0").content, call("GET", "/log/response/0").content
    assert after == before
    entry = entry_at(store, 1)
    assert (entry.kind, entry.about, entry.outcome) == ("feedback", 0, "overridden")
    assert (entry.patient, entry.decision_id) == (ORLA, decision)
    assert (entry.request, entry.response) == (said(**OVERRIDDEN), answer.content)
    assert entry.intact


def test_a_feedback_is_seen_in_the_guidance(call: Call, feed: Call, decision: str) -> None:
    feed(**OVERRIDDEN)
    feed(**ACCEPTED)
    feed(**OVERRIDDEN)

    for address in (f"{GUIDANCE}/{decision}", f"{GUIDANCE}/{decision}/_history/0"):
        tags = valid(call("GET", address))["meta"]["tag"]
        assert [each["code"] for each in tags] == ["overridden", "accepted"]
        assert {each["system"] for each in tags} == {f"{BASE}/CodeSystem/log-entry"}
    page = valid(call("GET", GUIDANCE))
    assert len(page["entry"][0]["resource"]["meta"]["tag"]) == 2


def test_a_feedback_may_be_about_one_action_of_one_entry(
    call: Call, post: Call, feed: Call, decision: str
) -> None:
    post()
    action = post().json()["entry"][-1]["fullUrl"]
    given = OVERRIDDEN | {
        "reason": {
            "valueCodeableConcept": {
                "coding": [{"system": "http://codes.example/why", "code": "no-vehicle"}],
                "text": "No vehicle",
            }
        },
        "action": {"valueReference": {"reference": action}},
        "entry": {"valueInteger": 1},
    }
    answer = feed(**given)

    assert answer.status_code == 200
    event = valid(call("GET", answer.headers["content-location"]))
    details = {
        each["type"]: each.get("valueString")
        for entity in event["entity"]
        for each in entity.get("detail", ())
    }
    assert details["reason"] == "No vehicle"
    assert details["reason-code"] == "http://codes.example/why|no-vehicle"
    assert details["action"] == action
    assert event["entity"][2]["what"] == {"reference": "AuditEvent/log-1"}


WITHOUT = [{key: value for key, value in OVERRIDDEN.items() if key != name} for name in OVERRIDDEN]


@pytest.mark.parametrize(
    ("given", "status"),
    [
        (WITHOUT[0], 422),
        (WITHOUT[1], 422),
        (WITHOUT[2], 422),
        (OVERRIDDEN | {"outcome": {"valueCode": "ignored"}}, 422),
        (OVERRIDDEN | {"outcome": {"valueString": "accepted"}}, 400),
        (OVERRIDDEN | {"outcome": {"valueCode": "accepted", "valueString": "x"}}, 400),
        (OVERRIDDEN | {"by": {"valueString": " "}}, 422),
        (OVERRIDDEN | {"by": {"valueReference": {"display": ""}}}, 400),
        (OVERRIDDEN | {"reason": {"valueString": "a" * 2001}}, 422),
        (OVERRIDDEN | {"reason": {"valueString": "quill\x01"}}, 422),
        (OVERRIDDEN | {"reason": {"valueCodeableConcept": {"text": " "}}}, 422),
        (OVERRIDDEN | {"reason": {}}, 400),
        (OVERRIDDEN | {"action": {"valueReference": {"reference": "urn:uuid:" + OTHER}}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": -1}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": 2**63}}, 422),
        (OVERRIDDEN | {"entry": {"valueInteger": 1.5}}, 400),
        (OVERRIDDEN | {"entry": {"valueInteger": 7}}, 404),
        (OVERRIDDEN | {"note": {"valueString": "Orla Fenn"}}, 400),
        (OVERRIDDEN | {"by": {"valueString": "x", "modifierExtension": [{"url": "u"}]}}, 422),
    ],
)
def test_a_feedback_that_says_too_little_or_too_much_is_refused(
    feed: Call, store: SqliteStore, given: dict[str, Any], status: int
) -> None:
    answer = feed(**given)

    assert answer.status_code == status
    assert issue(answer)["diagnostics"]
    assert asyncio.run(store.size()) == 1


@pytest.mark.parametrize(
    ("content", "headers", "status"),
    [
        (b"", JSON, 400),
        (b"{", JSON, 400),
        (b"[]", JSON, 400),
        (b'{"resourceType":"Bundle"}', JSON, 400),
        (b'{"resourceType":"Parameters","implicitRules":"x","parameter":[]}', JSON, 400),
        (said(**ACCEPTED), {"content-type": "text/plain"}, 415),
        (said(**ACCEPTED), JSON | {"accept": "application/fhir+xml"}, 406),
        (b" " * 200_001, JSON, 413),
        (said(**ACCEPTED), JSON | {"idempotency-key": "1"}, 400),
    ],
)
def test_a_feedback_is_read_like_any_request(
    call: Call, decision: str, content: bytes, headers: dict[str, str], status: int
) -> None:
    address = f"{GUIDANCE}/{decision}/$feedback"

    assert call("POST", address, content=content, headers=headers).status_code == status


def test_a_parameter_twice_is_refused(call: Call, decision: str) -> None:
    twice = orjson.loads(said(**ACCEPTED))
    twice["parameter"] *= 2
    answer = call(
        "POST", f"{GUIDANCE}/{decision}/$feedback", content=orjson.dumps(twice), headers=JSON
    )

    assert answer.status_code == 400
    assert issue(answer)["expression"] == ["Parameters.parameter[2]"]


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
