"""Catalogues: what may be used of them, what is refused, and how a command renews them."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from cds_service.content.bidi import LRI, PDI
from cds_service.content.load import load
from cds_service.content.model import Message
from cds_service.content.template import split
from cds_service.content.text import render, translated
from cds_service.content.treatment import Protocol
from cds_service.content.write_catalogue import header, update
from cds_service.errors import ContentError
from tests.catalogues import numbers, swapped, with_language
from tests.content.broken import PROTOCOL as ID
from tests.content.broken import copied, findings

PROTOCOL = load()
ENGLISH = dict(PROTOCOL.texts)
LANGUAGES = ("am", "ar", "bn", "es", "fr", "hi", "pt", "sw")
FILE = "translations/xh.po"
ON = ENGLISH["come-back.on"]


def entry(key: str, english: str, text: str, above: str = "") -> str:
    return f'{above}msgctxt "{key}"\nmsgid "{english}"\nmsgstr "{text}"\n'


def written(folder: Path, *entries: str, head: str = "") -> Path:
    """A copy of the content with an isiXhosa catalogue of these entries."""
    copied(folder)
    text = "\n".join((head or header("xh"), *entries))
    (folder / ID / FILE).write_text(text, encoding="utf-8")
    return folder


def loaded(folder: Path, *entries: str, head: str = "") -> Protocol:
    return load(written(folder, *entries, head=head))


def test_the_languages_of_the_protocol() -> None:
    assert PROTOCOL.languages == ("en", *LANGUAGES)
    left = [each.language for each in PROTOCOL.catalogues if each.runs_left]
    assert left == ["ar"]


def test_no_language_is_reviewed_yet() -> None:
    assert {each.reviewed_by for each in PROTOCOL.catalogues} == {""}


def test_a_translation_is_used(tmp_path: Path) -> None:
    protocol = loaded(tmp_path, entry("come-back.on", ON, "Buya ngo {date}."))
    message = Message("come-back.on", (("date", "5"),))
    assert render(protocol, message, "xh") == "Buya ngo 5."
    assert render(protocol, message) == "Come back on 5."


@pytest.mark.parametrize(
    "given",
    [
        entry("come-back.on", "Return on {date}.", "Buya ngo {date}."),
        entry("come-back.on", ON, "Buya ngo {date}.", "#, fuzzy\n"),
        entry("come-back.on", ON, ""),
        "",
    ],
    ids=["of another English text", "fuzzy", "empty", "not there"],
)
def test_what_cannot_be_relied_on_is_english(given: str, tmp_path: Path) -> None:
    protocol = loaded(tmp_path, given)
    message = Message("come-back.on", (("date", "5"),))
    assert translated(protocol, message, "xh") == ""
    assert render(protocol, message, "xh") == "Come back on 5."


def test_a_sentence_with_a_part_that_is_not_translated_is_wholly_english(tmp_path: Path) -> None:
    protocol = loaded(tmp_path, entry("come-back.on", ON, "Buya ngo {date}."))
    inner = Message("days.many", (("number", "2"),))
    assert render(protocol, Message("come-back.on", (("date", inner),)), "xh") == (
        "Come back on 2 days."
    )


@pytest.mark.parametrize(
    ("given", "what"),
    [
        (entry("come-back.on", ON, "Buya."), "the placeholders are not those of the English"),
        (entry("come-back.on", ON, "{date} {date}"), "the placeholders are not those"),
        (entry("come-back.on", ON, "Buya {date}, {Date}."), "a placeholder is written {name}"),
        (entry("come-back.on", ON, "Buya {date}, 2."), "the numbers are not those"),
        (entry("days.one", "1 day", "usuku"), "the numbers are not those of the English"),
        (entry("days.one", "1 day", "usuku 1 ٢"), "a number in other signs than 0-9"),
        (entry("days.one", "1 day", "usuku 1½"), "a number in other signs than 0-9"),
        (entry("days.one", "1 day", f"{LRI}usuku 1{PDI}"), "a sign that steers direction"),
        (entry("days.one", "1 day", "usuku 1 "), "blanks at an end"),
        (entry("days.one", "1 day", "usuku\\n1"), "or a line break"),
        (entry("days.one", "1 day", "يوم 1"), "letters of the other direction"),
        (entry("days.no", "1 day", "usuku 1"), "no caregiver's text days.no"),
        (entry("sign.jaundice", "Yellow", "x"), "no caregiver's text sign.jaundice"),
        ('msgid "1 day"\nmsgstr "usuku 1"\n', "msgctxt is the key of one text"),
    ],
)
def test_a_fault_is_named_with_its_line(given: str, what: str, tmp_path: Path) -> None:
    (finding,) = findings(written(tmp_path, given), translated=True)
    line = 13 if given.startswith("msgid") else 14
    assert finding.startswith(f"{FILE}:{line}: ")
    assert what in finding


def test_latin_letters_alone_are_no_arabic(tmp_path: Path) -> None:
    copied(tmp_path, ("translations/ar.po", 'msgstr "يناير"', 'msgstr "January"'))
    (finding,) = findings(tmp_path, translated=True)
    assert re.fullmatch(r"translations/ar\.po:\d+: month\.1: letters of the other.*", finding)


@pytest.mark.parametrize(
    ("head", "what"),
    [
        ('msgid ""\nmsgstr "Language: sw\\n"', "Language is sw, but the file is xh.po"),
        ('msgid ""\nmsgstr ""\n"MIME-Version: 1.0\\n"', "the header has no Language"),
        (
            'msgid ""\nmsgstr ""\n"Language: xh\\n"\n"X-Reviewed-By: O. Fenn\\n"',
            "a review has both X-Reviewed-By and X-Review-Date",
        ),
        (
            'msgid ""\nmsgstr ""\n"Language: xh\\n"\n"X-Review-Date: May\\n"',
            "X-Review-Date is a date such as",
        ),
        ('msgid ""\nmsgstr ""\n"Language: xh\\n"\nmsgwhat "x"', "not a .po file here"),
    ],
)
def test_a_fault_of_the_header_is_named(head: str, what: str, tmp_path: Path) -> None:
    head = head.replace('msgstr "Language: sw\\n"', 'msgstr ""\n"Language: sw\\n"')
    found = findings(written(tmp_path, head=head + "\n"), translated=True)
    assert any(what in finding for finding in found), found
    assert all(re.match(rf"{re.escape(FILE)}:\d+: ", finding) for finding in found)


def test_a_key_that_is_translated_twice_is_refused(tmp_path: Path) -> None:
    once = entry("come-back.on", ON, "Buya ngo {date}.")
    (finding,) = findings(written(tmp_path, once, once), translated=True)
    assert "come-back.on is translated twice" in finding


def test_a_file_that_is_no_text_or_no_language_is_refused(tmp_path: Path) -> None:
    folder = copied(tmp_path) / ID / "translations"
    (folder / "xh.po").write_bytes(b"\xff\xfe")
    (folder / "all-words.po").write_text(header("all-words"), encoding="utf-8")
    first, second = findings(tmp_path, translated=True)
    assert "named by no language" in first
    assert "the file is not UTF-8" in second


def test_a_reviewer_is_read(tmp_path: Path) -> None:
    head = header("xh").replace("X-Reviewed-By: ", "X-Reviewed-By: Orla Fenn, Mvumo")
    head = head.replace("X-Review-Date: ", "X-Review-Date: 2026-05-01")
    protocol = loaded(tmp_path, head=head)
    assert protocol.catalogue_by_language["xh"].reviewed_by == "Orla Fenn, Mvumo"


def test_catalogues_count_in_the_digest(tmp_path: Path) -> None:
    copied(tmp_path / "a"), copied(tmp_path / "b", ("translations/sw.po", "Januari", "Janwari"))
    assert load(tmp_path / "a").digest != load(tmp_path / "b").digest


def test_every_text_of_a_medicine_label_or_counselling_is_the_caregivers() -> None:
    told = {f"care.{item.code}" for item in PROTOCOL.counselling}
    told |= {key for key in ENGLISH if key.split(".")[0] in ("prepare", "give", "finish", "due")}
    told |= {f"medicine.{each.code}" for each in PROTOCOL.medicines}
    told |= {f"formulation.{form.code}" for _, form in PROTOCOL.formulations}
    assert told <= set(PROTOCOL.caregiver_keys)


def test_every_pattern_finds_a_text() -> None:
    for pattern in PROTOCOL.caregiver:
        assert replace(PROTOCOL, caregiver=(pattern,), counselling=()).caregiver_keys, pattern


# Property over all catalogues and texts: the placeholders filled, the numbers are the English ones.


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_translation_says_the_numbers_of_the_english(language: str) -> None:
    words = PROTOCOL.words_by_language[language]
    assert words
    for key in words:
        names = dict.fromkeys(split(PROTOCOL.text_by_key[key])[1::2])
        values = tuple((name, f"{7 + place}.5 mL") for place, name in enumerate(names))
        message = Message(key, values)
        told = render(PROTOCOL, message, language)
        assert numbers(told) == numbers(render(PROTOCOL, message)), (key, told)


def test_every_number_of_every_text_that_runs_left_is_isolated() -> None:
    made = with_language(PROTOCOL, "he", swapped, left=True)
    for protocol, language in ((made, "he"), (PROTOCOL, "ar")):
        for key in protocol.words_by_language[language]:
            names = dict.fromkeys(split(protocol.text_by_key[key])[1::2])
            message = Message(key, tuple((name, "2.5 mg/5 mL") for name in names))
            told = render(protocol, message, language)
            outside = re.sub(f"{LRI}[^{LRI}{PDI}]*{PDI}", "", told)
            assert not re.search(f"[0-9{LRI}{PDI}]", outside), (key, told)


# The command that renews the files


def renewed(folder: Path, *languages: str) -> str:
    protocol = load(folder, ID, translated=False)
    (done,) = update(protocol, folder / ID, languages)
    return done.path.read_text(encoding="utf-8")


def test_a_new_language_is_one_file(tmp_path: Path) -> None:
    copied(tmp_path)
    text = renewed(tmp_path, "pt-BR")
    assert '"Language: pt-BR\\n"' in text
    assert text.count("\nmsgctxt ") == len(PROTOCOL.caregiver_keys)
    assert set(load(tmp_path).languages) == {"en", *LANGUAGES, "pt-BR"}


def test_renewing_keeps_header_comments_and_words_and_marks_what_changed(tmp_path: Path) -> None:
    written(
        tmp_path,
        entry("come-back.on", ON, "Buya ngo {date}.", "# as the nurses say it\n"),
        entry("days.one", "one day", "usuku 1"),
        entry("gone", "Gone", "Akusekho"),
        head=header("xh").replace(
            "X-Reviewed-By: ", 'Last-Translator: O. Fenn\\n"\n"X-Reviewed-By: '
        ),
    )
    text = renewed(tmp_path, "xh")
    assert '"Last-Translator: O. Fenn\\n"' in text
    assert "# as the nurses say it" in text
    assert "Buya ngo {date}." in text
    changed = re.search(r'#, fuzzy\n#\| msgid "one day"\nmsgctxt "days.one"\nmsgid "1 day"\n', text)
    assert changed
    assert '#~ msgctxt "gone"' in text
    protocol = load(tmp_path)
    assert set(protocol.words_by_language["xh"]) == {"come-back.on"}
    assert renewed(tmp_path, "xh") == text


def test_what_comes_back_is_taken_up_again(tmp_path: Path) -> None:
    gone = entry("come-back.on", ON, "Buya ngo {date}.").replace("msg", "#~ msg")
    written(tmp_path, gone)
    assert "#~" not in renewed(tmp_path, "xh")
    assert set(load(tmp_path).words_by_language["xh"]) == {"come-back.on"}


def test_a_file_that_cannot_be_read_is_left_as_it_is(tmp_path: Path) -> None:
    written(tmp_path, "msgwhat\n")
    protocol = load(tmp_path, ID, translated=False)
    with pytest.raises(ContentError, match=r"not a \.po file"):
        list(update(protocol, tmp_path / ID, ["xh"]))


def test_the_packaged_catalogues_are_up_to_date(tmp_path: Path) -> None:
    copied(tmp_path)
    before = {path.name: path.read_text() for path in (tmp_path / ID).glob("translations/*.po")}
    for done in update(load(tmp_path, ID, translated=False), tmp_path / ID, []):
        assert done.path.read_text() == before[done.path.name], "run cds-service catalogue"
        assert done.changed == 0


def test_without_patterns_only_the_counselling_is_translated(tmp_path: Path) -> None:
    folder = copied(tmp_path) / ID / "translations"
    for path in (folder / "caregiver.yaml", *folder.glob("*.po")):
        path.unlink()
    keys = load(tmp_path).caregiver_keys
    assert keys == tuple(sorted(f"care.{item.code}" for item in PROTOCOL.counselling))
