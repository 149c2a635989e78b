"""The page for integrators: what is filled in wrongly, not there any more, or sent to do harm."""

import asyncio
import re

import orjson
import pytest

from cds_service.service import Service
from cds_service.web.app import make_app
from tests.web.conftest import Call, call_app

from .forms import FEVER, INFANT, again, example, filled_in, send, shown, text, value


@pytest.mark.parametrize(
    ("field", "wrong", "said"),
    [
        ("weight", "three", "This is not a number."),
        ("weight", "-3.4", "This is not a number."),
        ("weight", "3,400", "This is not a number."),
        ("weight", "1e3", "This is not a number."),
        ("weight", "٣", "This is not a number."),
        ("respiratory-rate.again", "many", "This is not a number."),
        ("born", "yesterday", "This is not a date."),
        ("born", "20260301", "This is not a date."),
        ("age", "-1", "This is not a number of days."),
        ("age", "2.5", "This is not a number of days."),
        ("born-at", "25:00", "This is not a time."),
    ],
)
def test_a_value_that_is_none_is_told_at_its_field(
    call: Call, field: str, wrong: str, said: str
) -> None:
    page = send(call, {"ask": "1", field: wrong, "convulsions": "yes"})

    assert page.status_code == 422
    assert re.search(
        rf'id="f-{field}"[^>]* aria-invalid="true" aria-describedby="e-{field}"', page.text
    )
    assert re.search(rf'id="e-{field}"><strong>{said}', page.text)
    assert f'href="#f-{field}"' in page.text
    assert value(page, field) == wrong
    assert value(page, "convulsions") == "yes"
    assert "c-response" not in page.text


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"born": "2026-02-19", "age": "9"}, "Birth date and age do not agree."),
        ({"born-at": "06:30"}, "There is a time of birth and no date."),
        ({"respiratory-rate.again": "64"}, "There is a second count and no first."),
    ],
)
def test_fields_that_contradict_each_other(call: Call, fields: dict[str, str], said: str) -> None:
    page = send(call, {"ask": "1"} | fields)

    assert page.status_code == 422
    assert said in text(page)


def test_a_refusal_of_the_service_is_shown_at_the_field_that_it_is_about(call: Call) -> None:
    page = send(call, {"ask": "1", "age": "90"})

    assert page.status_code == 422
    assert "this child is older" in text(page)
    assert re.search(r'id="f-born"[^>]* aria-invalid="true"', page.text)
    assert orjson.loads(shown(page.text, "outcome"))["resourceType"] == "OperationOutcome"
    assert "2025-12-02" in shown(page.text, "request")
    assert value(page, "born") == "2025-12-02"


@pytest.mark.parametrize("fields", ["entry=7&part=request", "entry=x&part=request", "part=request"])
def test_a_file_that_is_not_there(call: Call, fields: str) -> None:
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert call("POST", "/try/download", content=fields, headers=form).status_code == 404


def test_entries_of_others_cannot_be_had_here(call: Call, post: Call) -> None:
    post()  # by the operation, not by this page
    form = {"content-type": "application/x-www-form-urlencoded"}

    answer = call("POST", "/try/download", content="entry=0&part=request", headers=form)
    assert answer.status_code == 404
    page = send(call, INFANT | {"base": "0"})
    assert page.status_code == 410
    assert "not in the log any more" in text(page)


def test_an_erased_entry_is_nothing_to_go_on_from(call: Call, service: Service) -> None:
    first = example(call, FEVER)
    asyncio.run(service.erase(0, "test"))

    assert again(call, first).status_code == 410


HOSTILE = [
    ("x" * 40_000, 413),
    ("convulsions=yes&convulsions=no", 400),
    ("unheard-of=1", 400),
    ("convulsions=perhaps", 400),
    ("sex=other", 400),
    ("language=tlh", 400),
    ("stock=gold", 400),
    ("weight.unit=stone", 400),
    ("temperature.site=moon", 400),
    ("weight=%ff%fe", 400),
    ("weight=%00", 400),
    ("weight=" + "9" * 200, 400),
    ("&".join(f"stock=a{each}" for each in range(400)), 400),
    ("\xff", 400),
    ("nothing", 400),
    ("weight=1;convulsions=yes", 422),
    ("example=../../README", 404),
    ("base=-1", 410),
    ("base=99999999999999999999", 410),
]


@pytest.mark.parametrize(("body", "status"), HOSTILE)
def test_hostile_forms_are_refused_on_a_page(call: Call, body: str, status: int) -> None:
    content = body.encode("latin-1")
    headers = {"content-type": "application/x-www-form-urlencoded"}

    page = call("POST", "/", content=content, headers=headers)

    assert page.status_code == status
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert 'id="answer-title"' in page.text
    if status != 422:
        assert f"HTTP {status}" in text(page)


@pytest.mark.parametrize("kind", ["application/json", "multipart/form-data; boundary=x", ""])
def test_another_media_type_is_refused(call: Call, kind: str) -> None:
    page = call("POST", "/", content="ask=1", headers={"content-type": kind})

    assert page.status_code == 415


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
    ],
)
def test_a_form_of_another_server_is_refused(call: Call, headers: dict[str, str]) -> None:
    page = send(call, INFANT, **headers)

    assert page.status_code == 403
    assert "HTTP 403" in text(page)


def test_a_form_of_this_server_is_taken(call: Call) -> None:
    headers = {"sec-fetch-site": "same-origin", "origin": "http://here.example"}

    assert send(call, INFANT, **headers).status_code == 200


def test_without_a_record_there_is_no_answer(service: Service) -> None:
    app = make_app(service)
    asyncio.run(service.store.close())

    def call(*args: str, **options: object) -> object:
        return call_app(app, *args, **options)

    page = send(call, INFANT)  # type: ignore[arg-type]
    assert page.status_code == 503
    assert "use the paper chart" in text(page)
    assert "c-response" not in page.text


def test_what_is_filled_in_is_escaped(call: Call) -> None:
    page = send(call, {"ask": "1", "weight": '"><script>'})

    assert page.status_code == 422
    assert "<script>" not in page.text.partition("<body>")[2]
    assert filled_in(page)["weight"] == '"><script>'


def test_a_visitor_who_went_away_is_no_fault(service: Service) -> None:
    sent = []

    async def gone(path: str) -> None:
        async def receive() -> dict[str, str]:
            return {"type": "http.disconnect"}

        async def send(message: dict[str, object]) -> None:
            sent.append(message)

        headers = [(b"content-type", b"application/x-www-form-urlencoded")]
        scope = {"type": "http", "method": "POST", "path": path, "headers": headers}
        scope |= {"query_string": b"", "raw_path": path.encode(), "server": ("here", 80)}
        await make_app(service)(scope, receive, send)  # type: ignore[arg-type]

    for path in ("/", "/try/download"):
        asyncio.run(gone(path))
    assert [each["status"] for each in sent if "status" in each] == [404, 404]
