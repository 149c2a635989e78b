"""The parameters of a search for AuditEvents: what each finds, and what is refused."""

from collections.abc import Callable
from datetime import datetime

import orjson
import pytest

from cds_service.service import Service
from cds_service.web.search import PARAMETERS

from .auditing import AUDIT, FORM, ORLA, indexes, valid
from .conftest import JSON, Call, issue
from .sample import body


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
