"""The words of the pages: complete in English, and in other languages as drafts that fit them."""

import re

import pytest

from cds_service.content.bidi import runs_left
from cds_service.errors import ContentError
from cds_service.web.site.words import ENGLISH, _translated, chosen, english, every
from tests.web.conftest import Call, protocol

from .forms import example, text

OTHERS = [tag for tag in every() if tag != ENGLISH]
HEADER = b'msgid ""\nmsgstr ""\n"Language: sw\\n"\n\n'


def test_there_are_words_in_every_language_of_the_protocol() -> None:
    assert sorted(every()) == sorted(protocol().languages)


@pytest.mark.parametrize("tag", OTHERS)
def test_a_catalogue_translates_every_text_as_it_stands_and_keeps_its_placeholders(
    tag: str,
) -> None:
    words = every()[tag]
    same = [key for key, told in words.texts.items() if told == english().texts[key]]
    assert set(same) <= {"pages", "pages.api", "fhir.outcome", "classes", "caution.low", "sources",
                         "caution.high", "caution.moderate", "urgent", "answer.no"}  # fmt: skip
    for key, told in english().texts.items():
        assert sorted(re.findall(r"{\w*}", told)) == sorted(re.findall(r"{\w*}", words.texts[key]))
    assert words.draft
    assert words.runs_left == runs_left(words.texts["title"])


@pytest.mark.parametrize("tag", OTHERS)
def test_the_page_is_in_the_language_that_is_asked_for_and_marked_as_a_draft(
    call: Call, tag: str
) -> None:
    way = "rtl" if every()[tag].runs_left else "ltr"
    for page in (
        call("GET", f"/?lang={tag}"),
        call("GET", "/", headers={"accept-language": f"{tag}, en;q=0.5"}),
    ):
        assert f'<html lang="{tag}" dir="{way}">' in page.text
        assert every()[tag]("lead") in text(page)
        assert "Draft translation, have it reviewed." in text(page)


def test_an_answer_stays_in_the_language_of_the_page(call: Call) -> None:
    form = {"content-type": "application/x-www-form-urlencoded"}
    fields = "example=01-fever-refer-or-treat&lang=ar"
    page = call("POST", "/", content=fields, headers=form)

    assert '<html lang="ar" dir="rtl">' in page.text
    assert '<h2 id="answer-title" lang="en" dir="ltr">Clinical severe infection' in page.text
    assert '<input type="hidden" name="lang" value="ar">' in page.text


def test_the_english_page_is_no_draft(call: Call) -> None:
    page = example(call, "01-fever-refer-or-treat")

    assert "Draft translation" not in text(page)
    assert '<html lang="en" dir="ltr">' in page.text


def test_a_language_that_there_is_not_is_english() -> None:
    assert chosen(("xh", "*")) is every()[ENGLISH]


def test_a_translation_of_other_words_is_not_used() -> None:
    of_before = 'msgctxt "copy"\nmsgid "Copy it"\nmsgstr "Nakili"\n'
    words = _translated("sw.po", HEADER + of_before.encode())

    assert words("copy") == "Copy"


def test_a_catalogue_that_cannot_be_read_stops_the_start() -> None:
    with pytest.raises(ContentError, match=r"sw\.po"):
        _translated("sw.po", b'msgid "')
