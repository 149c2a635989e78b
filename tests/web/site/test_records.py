"""The auditors' pages over the real application: searching, refusals, files."""

import asyncio
import re
from datetime import timedelta
from html import unescape
from io import BytesIO
from pathlib import Path
from urllib.parse import urlencode

import orjson
import pytest

from cds_service.audit.examine import examine
from cds_service.audit.export import read_all
from cds_service.audit.record import Origin
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import VERIFIER
from tests.web.conftest import ACCEPTED, JSON, NOW, OVERRIDDEN, Call, call_app, said
from tests.web.sample import body

from .pages import FORM, HTML, altered, entries, words

ORLA = "http://tolm-ford.example/fhir/Patient/orla-fenn"


@pytest.fixture
def get(call: Call) -> Call:
    return lambda path, **headers: call("GET", path, headers=HTML | headers)


@pytest.fixture
def weeks(service: Service) -> None:
    """Thirty recommendations, one a day from 2 March 2026 on, two clinics in turn."""

    async def fill() -> None:
        for number in range(30):
            service.clock = lambda at=NOW + timedelta(days=number): at
            origin = Origin("", ("tolm-ford", "marrow-vale")[number % 2])
            name = b"orla-fenn" if number % 3 == 0 else f"b-{number}".encode()
            await service.recommend(body().replace(b"orla-fenn", name), origin=origin)

    asyncio.run(fill())


def test_an_empty_log_has_a_page(get: Call) -> None:
    shown = words(get("/records"))

    assert "0 recommendations" in shown
    assert "Nothing in the log is like this" in shown


@pytest.mark.usefixtures("weeks")
def test_the_newest_come_first_in_pages(get: Call) -> None:
    first = get("/records")
    assert "30 recommendations" in words(first)
    assert entries(first) == list(range(29, 4, -1))

    (older,) = re.findall(r'rel="next" href="([^"]+)"', first.text)
    second = get(older)
    assert entries(second) == [4, 3, 2, 1, 0]
    (newer,) = re.findall(r'rel="prev" href="([^"]+)"', second.text)
    assert newer == "/records"


@pytest.mark.usefixtures("weeks")
@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("from=2026-03-30", [29, 28]),
        ("from=2026-03-30&to=2026-03-30", [28]),
        ("to=2026-03-02", [0]),
        ("to=2026-03-03&clinic=tolm-ford", [0]),
        ("clinic=nobody", []),
        ("to=2026-03-02&class=clinical-severe-infection", [0]),
        ("class=pneumonia", []),
        ("to=2026-03-02&protocol=sick-young-infant", [0]),
        ("to=2026-03-02&protocol=sick-young-infant%7C2024.1", [0]),
        ("protocol=sick-young", []),
        ("outcome=success", []),
        ("to=2026-03-02&outcome=data-required", [0]),
        ("feedback=overridden", []),
        ("patient-of=27&from=2026-03-20", [27, 24, 21, 18]),
    ],
)
def test_the_log_is_searched(get: Call, query: str, found: list[int]) -> None:
    answer = get(f"/records?{query}")

    assert entries(answer) == found
    assert f"{len(found)} recommendation" in words(answer)


def test_a_decision_otherwise_is_found_and_counted(call: Call, get: Call, decision: str) -> None:
    for values in (ACCEPTED, OVERRIDDEN):
        path = f"/fhir/GuidanceResponse/{decision}/$feedback"
        assert call("POST", path, content=said(**values), headers=JSON).status_code == 200

    for outcome in ("accepted", "overridden"):
        assert entries(get(f"/records?feedback={outcome}")) == [0]
    shown = words(get("/records"))
    assert "Decided otherwise100.0 %1 fed back as overridden" in shown


@pytest.mark.usefixtures("weeks")
def test_the_form_leads_to_an_address(call: Call) -> None:
    sent = "from=2026-03-03&to=&class=&clinic=tolm-ford&patient="
    answer = call("POST", "/records", content=sent, headers=FORM)

    assert answer.status_code == 303
    assert answer.headers["location"] == "/records?from=2026-03-03&clinic=tolm-ford"


@pytest.mark.usefixtures("weeks")
def test_a_patient_is_named_by_an_entry_in_the_address(call: Call, get: Call) -> None:
    sent = f"to=2026-03-08&{urlencode({'patient': ORLA})}"
    answer = call("POST", "/records", content=sent, headers=FORM)

    # check_answer of the tests sees to it that no header names her.
    assert answer.headers["location"] == "/records?to=2026-03-08&patient-of=27"
    assert entries(get(answer.headers["location"])) == [6, 3, 0]


@pytest.mark.usefixtures("decision")
@pytest.mark.parametrize("name", ["nobody", "orla-fenn", ORLA[:-1]])
def test_a_patient_without_entry_is_said(call: Call, name: str) -> None:
    sent = urlencode({"patient": name})
    answer = call("POST", "/records", content=sent, headers=FORM)

    assert "No entry of this patient is in the log" in words(answer)


@pytest.mark.parametrize(
    ("query", "why"),
    [
        ("from=2026-02-30", "first day as year-month-day"),
        ("from=20260302", "first day as year-month-day"),
        ("to=yesterday", "last day as year-month-day"),
        ("from=9999-12-31", "first day as year-month-day"),
        ("from=2026-03-03&to=2026-03-02", "The last day is before the first"),
        ("class=%3Cb%3E", "Choose a class"),
        ("outcome=well", "Choose one of success"),
        ("feedback=maybe", "Choose one of accepted"),
        ("patient-of=x", "by its number"),
        ("page=x", "The page is not one"),
        ("patient=orla-fenn", "A patient is no part of an address"),
        ("colour=blue", "unknown or repeated"),
        ("class=a&class=b", "unknown or repeated"),
        (f"clinic={'x' * 201}", "Choose a clinic"),
    ],
)
def test_what_cannot_be_searched_for_is_said_beside_its_field(
    get: Call, query: str, why: str
) -> None:
    shown = words(get(f"/records?{query}"), 400)

    assert "The search was not made" in shown
    assert why in shown


@pytest.mark.parametrize("path", ["/records/0", "/records/abc", "/records/-1", f"/records/{9**30}"])
def test_an_entry_that_there_is_not_is_a_page_for_browsers_only(call: Call, path: str) -> None:
    assert "The log has no such entry" in words(call("GET", path, headers=HTML), 404)
    other = call("GET", path, headers={"accept": "application/fhir+json"})
    assert other.json()["resourceType"] == "OperationOutcome"


def test_a_search_that_is_no_form_is_refused(call: Call) -> None:
    headers = HTML | {"content-type": "application/json"}
    assert "is a form" in words(call("POST", "/records", content="{}", headers=headers), 415)


def test_a_search_with_control_characters_is_refused(get: Call) -> None:
    words(get("/records?clinic=%00"), 400)


def test_another_tenants_records_are_not_there(service: Service, decision: str) -> None:
    app = make_app(service, who=lambda _: Origin("another", ""))

    assert "0 recommendations" in words(call_app(app, "GET", "/records", headers=HTML))
    for path in ("/records/0", "/records?patient-of=0"):
        words(call_app(app, "GET", path, headers=HTML), 404)
    assert call_app(app, "GET", "/records/export?format=csv").text.count("\n") == 1


@pytest.mark.usefixtures("weeks")
def test_a_selection_is_exported_and_verifies(get: Call) -> None:
    listed = get("/records?clinic=tolm-ford&from=2026-03-20").text
    links = {
        each.rpartition("=")[2]: each for each in re.findall(r'"(/records/export[^"]+)"', listed)
    }
    answer = get(unescape(links["ndjson"]))
    lines = answer.content.splitlines(keepends=True)

    found = examine(read_all(BytesIO(answer.content)), VERIFIER)
    assert (found.size, found.size - found.passed) == (30, 6)
    assert [orjson.loads(line)["index"] for line in lines if b'"leaf"' in line] == [
        18,
        20,
        22,
        24,
        26,
        28,
    ]
    assert answer.headers["content-disposition"] == 'attachment; filename="records.ndjson"'
    rows = get(unescape(links["csv"]))
    assert len(rows.text.splitlines()) == 7
    assert "orla" not in rows.text


@pytest.mark.parametrize("query", ["", "format=xlsx", "format=csv&from=x", "format=csv&format=csv"])
def test_an_export_that_is_not_understood_is_refused(get: Call, query: str) -> None:
    words(get(f"/records/export?{query}"), 400)


def test_an_export_breaks_off_at_what_was_altered(post: Call, call: Call, tmp_path: Path) -> None:
    post()
    altered(tmp_path / "log.db", "UPDATE payload SET request = CAST('{}' AS BLOB)")

    # What the server does not end properly is an error to every client (RFC 9112, section 8).
    for kind in ("ndjson", "csv"):
        with pytest.raises(AssertionError):
            call("GET", f"/records/export?format={kind}", headers=HTML)


@pytest.mark.usefixtures("weeks")
def test_doses_are_told_beside_their_target(get: Call) -> None:
    answer = get("/records/doses?from=2026-03-30")
    shown = words(answer)

    assert "Read from 2 recorded answers" in shown
    assert "Gentamicin: 2 doses" in shown
    assert "Target for 2 of them (dashed line)7.5" in shown
    part = get("/records/doses?from=2026-03-30", **{"hx-request": "true"})
    assert part.text.startswith("<section")


def test_the_first_page_is_small(get: Call, decision: str) -> None:
    page = get("/records")
    linked = re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text)
    assert len(page.content) + sum(len(get(path).content) for path in set(linked)) < 150_000
