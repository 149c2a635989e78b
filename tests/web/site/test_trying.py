"""The page for integrators: what is asked goes the way of `$apply`, what comes is shown."""

import asyncio
import re
from html import unescape

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.web.site.trying import CALLER
from cds_service.web.site.trying.questions import form_of
from tests.examples import STORIES, sent, stored
from tests.web.conftest import Call, protocol
from tests.web.sample import BASE

from .forms import FEVER, INFANT, again, example, filled_in, send, shown, text, value


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


def test_a_comma_of_decimals_is_read(call: Call) -> None:
    page = send(call, INFANT | {"weight": "3,45"})

    assert '"value": 3.45' in shown(page.text, "request")


def test_birth_date_and_age_that_agree(call: Call) -> None:
    page = send(call, INFANT | {"born": "2026-02-19", "born-at": "06:30"})

    assert page.status_code == 200
    assert '"valueDateTime": "2026-02-19T06:30:00+00:00"' in shown(page.text, "request")
    assert value(again(call, page), "born-at") == "06:30"


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


def test_no_value_stands_in_an_address(call: Call) -> None:
    page = again(call, example(call, FEVER))

    for address in re.findall(r'(?:href|action|src|hx-post)="([^"]*)"', page.text):
        assert re.fullmatch(r"[^?]*(\?lang=[a-z]+|\?entry=\d+&amp;.*)?", address)
        assert "tamboe" not in address.lower()


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
