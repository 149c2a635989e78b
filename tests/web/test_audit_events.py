"""Searching and reading the log as AuditEvents; fhir.resources is the judge of every answer."""

import asyncio
import base64
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import httpx
import orjson
import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.record import FEEDBACK, Origin, digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.tree import leaf_hash
from cds_service.service import Service
from cds_service.web.app import make_app
from cds_service.web.search import PARAMETERS
from tests.changing import replace
from tests.logs import entry_at

from .conftest import ACCEPTED, JSON, NOW, OVERRIDDEN, Call, call_app, issue, said
from .sample import BASE, PATH, body

Json = dict[str, Any]
AUDIT = "/fhir/AuditEvent"
ORLA = "http://tolm-ford.example/fhir/Patient/orla-fenn"
FORM = {"content-type": "application/x-www-form-urlencoded"}
KEY = "8e03978e-40d5-43e8-bc93-6894a57f9324"


def valid(answer: httpx.Response) -> Json:
    """The Bundle, after R4B's own model has read it."""
    assert answer.status_code == 200, answer.text
    bundle: Json = answer.json()
    get_fhir_model_class(bundle["resourceType"]).model_validate(bundle)
    return bundle


def indexes(bundle: Json) -> list[int]:
    """The entries that were found, in their order."""
    ids = [
        each["resource"]["id"]
        for each in bundle.get("entry", ())
        if each["search"]["mode"] == "match"
    ]
    return [int(each.removeprefix("log-")) for each in ids]


def links(bundle: Json) -> dict[str, str]:
    return {each["relation"]: each["url"] for each in bundle["link"]}


def detail(event: Json, name: str) -> list[str]:
    """The values of one entity.detail."""
    found = [each for entity in event["entity"] for each in entity.get("detail", ())]
    return [
        next(v for k, v in each.items() if k != "type") for each in found if each["type"] == name
    ]


@pytest.fixture
def search(call: Call) -> Callable[[str], list[int]]:
    return lambda query: indexes(valid(call("GET", f"{AUDIT}?{query}")))


@pytest.fixture
def infants(service: Service, post: Call) -> list[str]:
    """Nine recommendations for three infants in turn, an hour apart, from 07:45 UTC on."""
    names = [f"http://tolm-ford.example/fhir/Patient/{name}" for name in ("orla-fenn", "b", "c")]
    for number in range(9):
        service.clock = lambda at=NOW + timedelta(hours=number): at
        post(body().replace(b"orla-fenn", names[number % 3].rpartition("/")[2].encode()))
    return names


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


def test_the_newest_come_first_and_pages_hold_twenty(call: Call, post: Call) -> None:
    for _ in range(22):
        post()
    first = valid(call("GET", AUDIT))

    assert "total" not in first  # nobody asked
    assert "total" not in valid(call("GET", f"{AUDIT}?_total=none"))
    assert valid(call("GET", f"{AUDIT}?_total=accurate"))["total"] == 22
    assert indexes(first) == list(range(21, 1, -1))
    second = valid(call("GET", links(first)["next"]))
    assert indexes(second) == [1, 0]
    assert "next" not in links(second)


def test_pages_lead_forth_and_back(call: Call, infants: list[str]) -> None:
    page = valid(call("GET", f"{AUDIT}?_count=2"))
    seen, there = [indexes(page)], [links(page)["self"]]
    while "next" in links(page):
        page = valid(call("GET", links(page)["next"]))
        seen.append(indexes(page))
        there.append(links(page)["self"])
    assert seen == [[8, 7], [6, 5], [4, 3], [2, 1], [0]]
    back = [links(page)["self"]]
    while "previous" in links(page):
        page = valid(call("GET", links(page)["previous"]))
        back.append(links(page)["self"])
    assert back == there[::-1]
    assert all(len(url) < 200 for url in there)


def test_entries_that_come_meanwhile_move_no_page(
    call: Call, infants: list[str], post: Call
) -> None:
    first = valid(call("GET", f"{AUDIT}?_count=4"))
    post()

    assert indexes(valid(call("GET", links(first)["next"]))) == [4, 3, 2, 1]


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_links_name_no_patient_and_lead_on_all_the_same(
    call: Call, infants: list[str], method: str
) -> None:
    if method == "GET":
        page = valid(call("GET", f"{AUDIT}?patient={ORLA}&_count=2&_total=accurate"))
    else:
        form = f"patient={ORLA}&_count=2&_total=estimate"
        page = valid(call("POST", f"{AUDIT}/_search", content=form, headers=FORM))

    assert (page["total"], indexes(page)) == (3, [6, 3])
    assert "patient-of=6" in links(page)["self"]
    assert "_search" not in links(page)["self"]
    rest = valid(call("GET", links(page)["next"]))
    assert indexes(rest) == [0]
    assert indexes(valid(call("GET", links(rest)["previous"]))) == [6, 3]
    assert not [url for url in (*links(page).values(), *links(rest).values()) if "orla" in url]


def test_a_link_whose_entry_was_erased_says_so(
    call: Call, infants: list[str], service: Service
) -> None:
    page = valid(call("GET", f"{AUDIT}?patient={ORLA}&_count=1"))
    asyncio.run(service.erase(6, "on request"))

    assert call("GET", links(page)["next"]).status_code == 410


def test_nothing_found_for_a_patient_leaves_no_name_and_says_why(call: Call) -> None:
    page = valid(call("GET", f"{AUDIT}?patient={ORLA}"))

    assert (page["total"], indexes(page)) == (0, [])
    assert set(links(page).values()) == {f"http://here.example{AUDIT}"}
    (told,) = page["entry"]
    assert told["search"]["mode"] == "outcome"
    assert told["resource"]["issue"][0]["code"] == "informational"


def test_a_patient_is_found_exactly_as_named(
    search: Callable[[str], list[int]], infants: list[str]
) -> None:
    assert search(f"patient={ORLA}") == [6, 3, 0]
    assert search("patient=Patient/orla-fenn") == []
    assert search("patient=orla-fenn") == []
    assert search(f"patient={infants[1]}") == [7, 4, 1]
    assert search(f"entity={ORLA}") == [6, 3, 0]
    assert search("patient-of=4") == [7, 4, 1]


def test_a_bare_id_is_of_a_patient(search: Callable[[str], list[int]], post: Call) -> None:
    # FHIR R4 search.html#reference: [parameter]=[id] when there is only one type.
    named = orjson.loads(body())
    for entry in named["parameter"][2]["resource"]["entry"]:
        del entry["fullUrl"]
    post(orjson.dumps(named))

    assert search("patient=orla-fenn") == search("patient=Patient/orla-fenn") == [0]


# The entries are recorded at 07:45, 08:45 ... 15:45 UTC on the second of March 2026.
DATES = [
    ("date=2026-03-02", 9),
    ("date=eq2026-03-02", 9),
    ("date=2026-03", 9),
    ("date=2026", 9),
    ("date=2026-03-01", 0),
    ("date=gt2026-03-02", 0),
    ("date=ge2026-03-02", 9),
    ("date=lt2026-03-02", 0),
    ("date=le2026-03-02", 9),
    ("date=gt2026-03-01", 9),
    ("date=2026-03-02T08:45:00Z", 1),
    ("date=2026-03-02T10:45:00%2B02:00", 1),
    ("date=2026-03-02T08:45:01Z", 0),
    ("date=2026-03-02T08:45:00.0Z", 1),
    ("date=2026-03-02T08:45:00.5Z", 0),
    ("date=gt2026-03-02T08:45:00Z", 7),
    ("date=ge2026-03-02T08:45:00Z", 8),
    ("date=lt2026-03-02T08:45:00Z", 1),
    ("date=le2026-03-02T08:45:00Z", 2),
    ("date=ge2026-03-02T08:45:00Z&date=lt2026-03-02T10:45:00Z", 2),
    ("date=le9999-12-31", 9),
    ("date=ge0001-01-01", 9),
    ("date=ge0001-01-01T00:00:00%2B14:00&date=le9999-12-31T23:59:59-12:00", 9),
    ("date=9999", 0),
    ("date=0001", 0),
    ("date=gt9999-12-31", 0),
    ("date=lt0001-01-01", 0),
    ("date=1899", 0),
    ("date=lt2200", 9),
    ("date=sa2026-03-01", 9),
    ("date=sa2026-03-02", 0),
    ("date=eb2026-03-02T08:45Z", 1),
    ("date=2026-03-02T08:45Z", 1),
    ("date=2026-03-02T08:45:60Z", 0),
    ("date=ge2026-02&date=lt2026-03", 0),
    ("date=2026-03-02T10:45%2B02:00", 1),
    ("date=2026-02", 0),
    ("date=le2025-12", 0),
    ("date=ge2025-12", 9),
    ("date=ge2026-03-02T10:00:00Z&date=lt2026-03-02T09:00:00Z", 0),
]


@pytest.mark.parametrize(("query", "count"), DATES)
def test_dates_are_spans_with_prefixes(
    search: Callable[[str], list[int]], infants: list[str], query: str, count: int
) -> None:
    assert len(search(query)) == count


def test_a_day_is_one_of_the_servers_zone(call: Call, service: Service, post: Call) -> None:
    service.clock = lambda: datetime.fromisoformat("2026-03-02T01:00:00+03:00")
    post()

    assert indexes(valid(call("GET", f"{AUDIT}?date=2026-03-02"))) == [0]
    assert indexes(valid(call("GET", f"{AUDIT}?date=2026-03-01"))) == []


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


def test_single_events_by_their_ids(
    search: Callable[[str], list[int]], infants: list[str], call: Call
) -> None:
    assert search("_id=log-3") == [3]
    assert search("_id=log-3,log-5,log-99") == [3, 5]
    assert search(f"_id=log-3,log-4&patient={ORLA}") == [3]
    assert search("_id=log-3&date=2027") == []


def test_the_outcome_of_what_is_recorded_is_success(
    search: Callable[[str], list[int]], post: Call
) -> None:
    # FHIR R4 audit-event-outcome: 0 success, 4, 8, 12 failures. A refused request is not recorded.
    post()

    assert search("outcome=0") == search("outcome=0,8") == [0]
    assert search("outcome=http://terminology.hl7.org/CodeSystem/audit-event-outcome|0") == [0]
    assert search("outcome=4,8,12") == []


def test_a_count_of_nought_asks_for_the_total(call: Call, infants: list[str]) -> None:
    page = valid(call("GET", f"{AUDIT}?_count=0&patient={ORLA}"))

    assert page["total"] == 3
    assert indexes(page) == []


@pytest.mark.parametrize("count", ["201", "1000000", "9" * 200])
def test_a_huge_count_gives_at_most_two_hundred(
    call: Call, service: Service, store: SqliteStore, post: Call, count: str
) -> None:
    post()
    entry = entry_at(store, 0)

    async def many() -> None:
        await asyncio.gather(*(store.append(entry) for _ in range(210)))

    asyncio.run(many())
    page = valid(call("GET", f"{AUDIT}?_count={count}"))
    assert len(indexes(page)) == 200
    assert "_count=200" in links(page)["self"]


WRONG = [
    "_total=many",
    "_count=-1", "_count=x", "_count=1.5", "_count=%D9%A3", "_page=x", "_page=-1", "_page=1,,2",
    "_page=" + "9" * 19, "_page=" + ",".join("1" * 60), "date=x", "date=2026-13", "date=ne2026",
    "date=ap2026-03", "date=ne2026-03-02", "date=2026-02-29", "date=0000",
    "date=2026-03-02T08", "date=2026-03-02T24:00:00Z", "date=2026-03-02T08:45:61Z", "date=26-03-02",
    "date=2026-03-02T10:45:00+02:00", "date=2026-03-02T08:45:00%2B15:00", "date=2026,2027",
    "date=le10000-01-01", "date=ge", "date=%D9%A2%D9%A0%D9%A2%D9%A6", "date=2026-3-2", "_id=log-",
    "_id=log--1",
    "_id=12", "_id=log-" + "9" * 30, "entity=AuditEvent/log-x", "entity=GuidanceResponse/a%20b",
    "outcome=2", "outcome=success", "subtype=x", "subtype=erasure,accepted", "agent=a/b/c",
    "agent=orla%20fenn", "patient-of=x", "patient-of=-1", "patient=a&patient=b",
    "patient=a&patient-of=0", "patient=a&entity=Patient/b", "patient:missing=true", "date:x=2026",
    "patient:orla=fenn", "_id=" + ",".join(["log-1"] * 201), "patient=" + "a" * 513,
    "patient=a%00b", "patient=%FF", "patient=a%0Ab",
    "&".join(f"a{number}=1" for number in range(60)),
]  # fmt: skip


@pytest.mark.parametrize("query", WRONG)
@pytest.mark.parametrize("prefer", ["handling=lenient", "handling=strict"])
def test_a_value_that_is_not_usable_is_refused(call: Call, query: str, prefer: str) -> None:
    for answer in (
        call("GET", f"{AUDIT}?{query}", headers={"prefer": prefer}),
        call("POST", f"{AUDIT}/_search", content=query, headers=FORM | {"prefer": prefer}),
    ):
        assert answer.status_code == 400
        assert issue(answer)["code"] == "value"


SQL = ["' OR '1'='1", "'; DROP TABLE entry; --", '" OR ""="', "%", "_", "\\", "log-0' --"]


@pytest.mark.parametrize("name", ["patient", "entity", "agent", "_id", "subtype", "patient-of"])
@pytest.mark.parametrize("value", SQL)
def test_sql_in_a_value_finds_nothing_and_harms_nothing(
    call: Call, post: Call, name: str, value: str
) -> None:
    post()
    answer = call("GET", AUDIT, params={name: value})

    assert answer.status_code in (200, 400)
    if answer.status_code == 200:
        assert indexes(valid(answer)) == []
    assert indexes(valid(call("GET", AUDIT))) == [0]


def test_what_is_not_known_is_told_or_under_strict_handling_refused(call: Call, post: Call) -> None:
    post()
    query = f"{AUDIT}?_sort=-date&site=x&orla-fenn=2026-02-20&colour=red&_format=json"
    page = valid(call("GET", query))

    assert indexes(page) == [0]
    (told,) = [each for each in page["entry"] if each["search"]["mode"] == "outcome"]
    texts = [each["details"]["text"] for each in told["resource"]["issue"]]
    assert texts == [
        "The parameter _sort was passed over.",
        "The parameter site was passed over.",
        "2 parameters are not known and were passed over.",
    ]
    assert "colour" not in str(page)
    assert {each["severity"] for each in told["resource"]["issue"]} == {"warning"}
    strict = call("GET", query, headers={"prefer": "handling=strict"})
    assert strict.status_code == 400
    assert issue(strict)["code"] == "not-supported"


def test_a_search_by_post_is_a_form(call: Call) -> None:
    address = f"{AUDIT}/_search"

    assert call("POST", address, content=b"{}", headers=JSON).status_code == 415
    large = b"patient=" + b"a" * 70_000
    assert call("POST", address, content=large, headers=FORM).status_code == 413
    assert call("GET", address).status_code == 405
    assert valid(call("POST", address, content=b"", headers=FORM))["total"] == 0


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


@pytest.mark.parametrize("kind", sorted(PARAMETERS))
def test_the_statement_claims_exactly_what_is_read(call: Call, kind: str) -> None:
    claimed = call("GET", "/fhir/metadata").json()["rest"][0]["resource"]
    (resource,) = [each for each in claimed if each["type"] == kind]
    names = [each["name"] for each in resource["searchParam"]]

    assert names == [each.name for each in PARAMETERS[kind]]
    for name in (*names, "_count", "_page", "_total"):
        strict = call("GET", f"/fhir/{kind}?{name}=", headers={"prefer": "handling=strict"})
        assert strict.status_code == 200
        wrong = call("GET", f"/fhir/{kind}?{name}=%00")
        assert wrong.status_code == 400
    for name in ("_sort", "x", "classes"):
        strict = call("GET", f"/fhir/{kind}?{name}=1", headers={"prefer": "handling=strict"})
        assert strict.status_code == 400
    described = call("GET", "/openapi.json").json()["paths"][f"/fhir/{kind}"]["get"]["parameters"]
    assert {each["name"] for each in described if each["in"] == "query"} == {
        *names, "_count", "_page", "_format", "_total",
    }  # fmt: skip
