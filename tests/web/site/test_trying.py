"""The page for integrators: what is asked goes the way of `$apply`, what comes is shown."""

import asyncio
import re
from html import unescape

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.service import Service
from cds_service.web.app import make_app
from cds_service.web.site.trying import CALLER
from cds_service.web.site.trying.questions import form_of
from tests.examples import STORIES, sent, stored
from tests.web.conftest import Call, call_app, protocol
from tests.web.sample import BASE

from .forms import again, example, filled_in, send, text, value

FEVER = "01-fever-refer-or-treat"
INFANT = {
    "ask": "1", "age": "11", "weight": "3.4", "temperature": "38.4", "temperature.site": "axillary",
    "respiratory-rate": "52", "convulsions": "no",
}  # fmt: skip


def shown(page: str, name: str) -> str:
    found = re.search(rf'<pre id="c-{name}"[^>]*>(.*?)</pre>', page, re.DOTALL)
    assert found
    return unescape(found[1])


def test_the_page_asks_everything_that_the_protocol_asks_and_assumes_nothing(call: Call) -> None:
    page = call("GET", "/")

    assert page.status_code == 200
    assert "'unsafe" not in page.headers["content-security-policy"]
    form = form_of(protocol(), BASE)
    for group in form.groups:
        for each in group.questions:
            assert value(page, each.code) == ("" if each.units else "not-assessed"), each
    assert 'name="stock"' in page.text
    assert " checked" not in page.text.partition("name=stock")[2]


@pytest.mark.parametrize("story", STORIES)
def test_an_example_is_answered_as_by_the_operation(call: Call, story: str) -> None:
    page = example(call, story)

    assert page.status_code == 200
    assert shown(page.text, "request") == sent(story).decode()
    assert orjson.loads(shown(page.text, "response")) == orjson.loads(stored(story))
    said, medicines = text(page), 0
    for entry in orjson.loads(stored(story))["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "Condition":
            assert resource["code"]["text"] in said
        if resource["resourceType"] == "MedicationRequest":
            assert " ".join(resource["dosageInstruction"][0]["text"].split()) in said
            medicines += "coding" in resource["contained"][0]["code"]  # a fluid has no code
        if resource["resourceType"] == "DetectedIssue":
            assert " ".join(resource["code"]["text"].split()) in said
        if resource["resourceType"] == "CommunicationRequest":
            assert all(" ".join(p["contentString"].split()) in said for p in resource["payload"])
    drawn = re.findall(r'<p class="amount">.*?</p>\s*(<figure><svg )?', page.text)
    assert drawn == ["<figure><svg "] * medicines


@pytest.mark.parametrize("story", STORIES)
def test_a_form_that_nobody_changed_asks_the_very_same(call: Call, story: str) -> None:
    page = again(call, example(call, story))

    assert page.status_code == 200
    assert shown(page.text, "request") == sent(story).decode()
    assert "You changed nothing" in text(page)
    assert "no class, referral, medicine, dose, caution, visit or advice differs." in text(page)


def test_what_is_asked_here_is_in_the_log_and_says_so(call: Call, store: SqliteStore) -> None:
    page = example(call, FEVER)

    assert "Recorded as entry 0 of the log." in text(page)
    logged = asyncio.run(store.get(0))
    assert logged is not None
    assert logged.head.origin.caller == CALLER
    assert logged.entry is not None
    assert logged.entry.request == sent(FEVER)


def test_a_form_becomes_observations_of_an_invented_infant(call: Call) -> None:
    page = send(
        call, INFANT | {"respiratory-rate.again": "50", "stock": "gentamicin-vial-80mg-2ml"}
    )

    assert page.status_code == 200
    request = orjson.loads(shown(page.text, "request"))
    parameters = {each["name"]: each for each in request["parameter"]}
    assert parameters["asOf"]["valueDateTime"] == "2026-03-02T07:45:00+00:00"
    stock = parameters["availableMedication"]["valueCodeableConcept"]["coding"][0]
    assert stock["code"] == "gentamicin-vial-80mg-2ml"
    patient, *others = [each["resource"] for each in parameters["data"]["resource"]["entry"]]
    assert patient == {
        "resourceType": "Patient", "id": "invented-infant", "birthDate": "2026-02-19",
    }  # fmt: skip
    told = {each["id"]: each for each in others}
    assert sorted(told) == [
        "convulsions", "respiratory-rate", "respiratory-rate-again", "temperature", "weight",
    ]  # fmt: skip
    assert told["temperature"]["code"]["coding"][0]["code"] == "8328-7"  # LOINC: axillary
    assert told["weight"]["valueQuantity"]["value"] == 3.4
    assert told["convulsions"]["valueBoolean"] is False
    assert told["respiratory-rate"]["effectiveDateTime"] == "2026-03-02T07:40:00+00:00"
    assert "Clinical severe infection" in text(page)


def test_what_is_still_needed_is_marked_in_the_form(call: Call) -> None:
    page = send(call, INFANT)

    assert "Not complete: something necessary is missing." in text(page)
    assert re.search(r'class="field wanted" id="f-unable-to-feed"', page.text)


def test_a_changed_value_says_what_it_changed_and_why(call: Call) -> None:
    first = example(call, FEVER)

    page = again(call, first, temperature="37.0", unable_to_feed="no")

    said = text(page)
    assert page.status_code == 200
    assert "Temperature 38.4 °C (in the armpit) 37 °C (in the armpit)" in said
    assert "Not able to feed at all Not assessed No" in said
    assert "Urgent referral no longer proposed" in said
    assert "No longer: Clinical severe infection. It held because of: Temperature at least" in said
    request = orjson.loads(shown(page.text, "request"))
    before = orjson.loads(sent(FEVER))
    assert len(request["parameter"][-1]["resource"]["entry"]) == (
        len(before["parameter"][-1]["resource"]["entry"]) + 1
    )


def test_one_change_after_the_other(call: Call) -> None:
    first = again(call, example(call, FEVER), referral_possible="yes")
    second = again(call, first, referral_possible="not-assessed")

    assert "Choose" in text(second)
    assert "Referral is possible and the family accepts it Yes Not assessed" in text(second)
    assert '"referral-possible"' not in shown(second.text, "request")


def test_a_part_of_the_page_for_htmx(call: Call) -> None:
    page = send(call, {"example": FEVER}, hx_request="true")

    assert page.text.startswith('<div id="work"')


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


def test_a_comma_of_decimals_is_read(call: Call) -> None:
    page = send(call, INFANT | {"weight": "3,45"})

    assert '"value": 3.45' in shown(page.text, "request")


def test_birth_date_and_age_that_agree(call: Call) -> None:
    page = send(call, INFANT | {"born": "2026-02-19", "born-at": "06:30"})

    assert page.status_code == 200
    assert '"valueDateTime": "2026-02-19T06:30:00+00:00"' in shown(page.text, "request")
    assert value(again(call, page), "born-at") == "06:30"


def test_a_refusal_of_the_service_is_shown_at_the_field_that_it_is_about(call: Call) -> None:
    page = send(call, {"ask": "1", "age": "90"})

    assert page.status_code == 422
    assert "this child is older" in text(page)
    assert re.search(r'id="f-born"[^>]* aria-invalid="true"', page.text)
    assert orjson.loads(shown(page.text, "outcome"))["resourceType"] == "OperationOutcome"
    assert "2025-12-02" in shown(page.text, "request")
    assert value(page, "born") == "2025-12-02"


def test_a_value_that_the_service_does_not_use_is_noted_at_its_field(call: Call) -> None:
    page = send(call, INFANT | {"temperature": "99"})

    assert page.status_code == 200
    field = page.text.partition('id="f-temperature"')[2].partition('id="f-respiratory-rate"')[0]
    assert 'class="noted"' in field
    assert value(page, "temperature") == "99"


def test_the_files_are_the_very_bytes(call: Call) -> None:
    example(call, FEVER)
    form = {"content-type": "application/x-www-form-urlencoded"}

    for part, body in (("request", sent(FEVER)), ("response", stored(FEVER).encode())):
        fields = f"entry=0&part={part}"
        answer = call("POST", "/try/download", content=fields, headers=form)
        assert answer.status_code == 200
        assert answer.headers["content-disposition"] == f'attachment; filename="{part}.json"'
        assert orjson.loads(answer.content) == orjson.loads(body)
        assert part == "response" or answer.content == body


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


def test_no_value_stands_in_an_address(call: Call) -> None:
    page = again(call, example(call, FEVER))

    for address in re.findall(r'(?:href|action|src|hx-post)="([^"]*)"', page.text):
        assert re.fullmatch(r"[^?]*(\?lang=[a-z]+|\?entry=\d+&amp;.*)?", address)
        assert "tamboe" not in address.lower()


def test_what_is_filled_in_is_escaped(call: Call) -> None:
    page = send(call, {"ask": "1", "weight": '"><script>'})

    assert page.status_code == 422
    assert "<script>" not in page.text.partition("<body>")[2]
    assert filled_in(page)["weight"] == '"><script>'


def test_what_is_to_be_found_out_is_told_by_its_name(call: Call) -> None:
    first = send(call, INFANT | {"temperature": "37"})

    said = text(again(call, first, respiratory_rate="64"))
    assert "more: Breaths in one minute" in said
    assert "9279-1" not in said.partition("The FHIR behind it")[0]


def test_the_story_stays_while_its_answers_are_changed(call: Call) -> None:
    page = again(call, example(call, FEVER), weight="3.6")

    assert "Liri Tamboe is 23 days old" in text(page)


def test_each_dose_is_drawn_and_its_label_is_a_link_away(call: Call) -> None:
    page = example(call, FEVER)

    drawn = re.findall(r'<svg [^>]*role="img" aria-label="([^"]*)"', page.text)
    assert "0.9\u00a0mL in a 1\u00a0mL syringe" in drawn
    assert "half a tablet" in drawn
    (label, *_) = re.findall(r'href="(/fhir/GuidanceResponse/[^"]*format=html)"', page.text)
    answer = call("GET", unescape(label))
    assert answer.status_code == 200
    assert "text/html" in answer.headers["content-type"]


def test_without_a_medicine_there_is_the_leaflet_alone(call: Call) -> None:
    page = example(call, "06-infection-unlikely")

    assert "Medicine label" not in text(page)
    assert "Leaflet for the caregiver" in text(page)


def test_every_other_thing_that_was_changed_is_told_too(call: Call) -> None:
    first = send(call, INFANT | {"stock": "gentamicin-vial-80mg-2ml", "sex": "male"})
    fields = filled_in(first) | {"sex": "female", "language": "sw", "unable-to-feed": "yes"}
    fields |= {
        "respiratory-rate": "",
        "respiratory-rate.again": "",
        "stock": "ampicillin-vial-500mg",
    }

    said = text(send(call, fields)).partition("What changed")[2]
    assert "Sex male female" in said
    assert "Language of the words to the caregiver not said sw" in said
    assert " -> " not in text(again(call, send(call, fields), language="hi"))
    assert "In stock gentamicin vial, 80 mg/2 mL ampicillin vial, 500 mg" in said
    assert "Breaths in one minute 52 /min Not assessed" in said
    assert "Now: Critical illness. It holds because of: Not able to feed at all: yes" in said


def test_words_to_the_caregiver_have_their_language_and_the_english_beside_them(call: Call) -> None:
    page = send(call, INFANT | {"language": "ar"})

    words = page.text.partition('id="t-caregiver"')[2].partition("</section>")[0]
    assert '<p lang="ar" dir="rtl">' in words
    assert "Breastfeed day and night" in words


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
