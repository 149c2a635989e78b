"""The auditors' pages over the real application: searching, one entry, refusals, files."""

import asyncio
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from html import unescape
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from urllib.parse import urlencode

import httpx
import orjson
import pytest

from cds_service.audit.examine import examine
from cds_service.audit.export import read_all
from cds_service.audit.record import Origin, digest
from cds_service.audit.sqlite import SqliteStore
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import VERIFIER, entry_at
from tests.web.conftest import ACCEPTED, JSON, NOW, OVERRIDDEN, Call, call_app, said
from tests.web.sample import body

HTML = {"accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
ORLA = "http://tolm-ford.example/fhir/Patient/orla-fenn"
FORM = {"content-type": "application/x-www-form-urlencoded"} | HTML


class Words(HTMLParser):
    """The words of a page; a tag that is left open, or a script or style inline, is a fault."""

    VOID = frozenset({"meta", "link", "input", "br", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag != "style"
        assert "style" not in dict(attrs)
        assert tag != "script" or dict(attrs)["src"]
        assert not [name for name, _ in attrs if name.startswith("on")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert "style" not in dict(attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def words(answer: httpx.Response, status: int = 200) -> str:
    """The words of a page that is answered with this status."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    reader = Words()
    reader.feed(answer.text)
    assert reader.open == []
    return " ".join("".join(reader.words).split())


def entries(answer: httpx.Response) -> list[int]:
    """The entries of the list, in its order."""
    return [
        int(index) for index in re.findall(r'class="number" href="/records/(\d+)"', answer.text)
    ]


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


def test_one_recommendation_is_told_as_an_argument(get: Call, decision: str) -> None:
    shown = words(get("/records/0"))

    for told in (
        "Not feeding well (has stopped feeding as before the illness)",
        "clinical-severe-infection",
        "Verified just now".lower(),
        "for a weight of 3.4 kg",
        "Recommendations for management of serious bacterial infections in infants",
        "What was not known",
        "Patient/orla-fenn",
    ):
        assert told.lower() in shown.lower(), told
    assert decision in shown  # in the answer, as it was recorded


def test_what_a_caller_sent_is_shown_as_text(call: Call, get: Call, decision: str) -> None:
    reason = "'\"><script>alert(1)</script><i title="
    feedback = said(**OVERRIDDEN | {"reason": {"valueString": reason}})
    call("POST", f"/fhir/GuidanceResponse/{decision}/$feedback", content=feedback, headers=JSON)

    for path in ("/records/0", "/records/1"):
        answer = get(path)
        assert reason in words(answer)
        assert "<script>alert" not in answer.text


def test_a_replay_gives_the_same_bytes(call: Call, decision: str) -> None:
    answer = call("POST", "/records/0/replay", headers=HTML)
    assert "The same answer, byte for byte" in words(answer)
    part = call("POST", "/records/0/replay", headers=HTML | {"hx-request": "true"})
    assert part.text.startswith('<div id="replayed"')


def test_a_replay_that_differs_says_how(
    call: Call, service: Service, decision: str, store: SqliteStore
) -> None:
    entry = entry_at(store, 0)
    other = entry.response.replace(b'"data-requested"', b'"success"').replace(b"urgent", b"routine")
    assert other != entry.response
    changed = replace(entry, response=other, response_sha256=digest(other))
    asyncio.run(store.append(changed))

    shown = words(call("POST", "/records/1/replay", headers=HTML))
    assert "Another answer" in shown


def test_feedback_is_shown_where_it_belongs(call: Call, get: Call, decision: str) -> None:
    path = f"/fhir/GuidanceResponse/{decision}/$feedback"
    call("POST", path, content=said(**OVERRIDDEN), headers=JSON)

    shown = words(get("/records/0"))
    assert "Decided otherwise by Nurse Quill: “The mother of marmalade lane declines" in shown
    shown = words(get("/records/1"))
    assert "Feedback 1" in shown
    assert "AboutEntry 0" in shown


def test_an_erased_entry_is_shown_as_one(get: Call, service: Service, decision: str) -> None:
    asyncio.run(service.erase(0, "asked for by the family"))

    shown = words(get("/records/0"), 410)
    assert "Request and answer were destroyed" in shown
    assert "asked for by the family" in shown
    assert "Yes: verified just now" in shown
    assert "Erased: request and answer were destroyed" in words(get("/records"))
    assert "Erasure 1" in words(get("/records/1"))


def altered(path: Path, statement: str) -> None:
    """Change a row below the service."""
    with closing(sqlite3.connect(path)) as log, log:
        for table in ("payload", "entry"):
            log.execute(f"DROP TRIGGER {table}_update")
        log.execute(statement)


IN_ANSWER = "CAST(replace(CAST(response AS TEXT), 'urgent', 'routine') AS BLOB)"


@pytest.mark.parametrize(
    "statement",
    [
        f"UPDATE payload SET response = {IN_ANSWER}",
        "UPDATE payload SET rest = CAST('{' AS BLOB)",
        "UPDATE entry SET leaf = CAST('{}' AS BLOB)",
        "UPDATE entry SET leaf = CAST(replace(CAST(leaf AS TEXT), '2026', '2025') AS BLOB)",
    ],
)
def test_an_altered_entry_is_said_loudly_and_not_shown(
    post: Call, get: Call, tmp_path: Path, statement: str
) -> None:
    post()
    post()
    altered(tmp_path / "log.db", f"{statement} WHERE position = 0")

    shown = words(get("/records/0"))
    certain = "2025" not in statement
    assert ("ALTERED" if certain else "NOT PROVED") in shown
    assert "Nothing of its request and answer is shown" in shown
    assert "Gentamicin" not in shown
    # A path leads past the leaves beside it: when one of them is altered it is not known which.
    whole = "payload" in statement
    assert ("Yes: verified" if whole else "cannot be proved") in words(get("/records/1"))
    listed = get("/records")
    assert entries(listed) == [1, 0]
    if certain:
        assert "ALTERED: this is not what was recorded" in words(listed)
    assert "Doses per kilogram" in words(get("/records/doses"))


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
