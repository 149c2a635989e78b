"""What a label says: read back from the PDF, and held to the plan it was made of."""

import re
import subprocess
from decimal import Decimal

import pytest

from cds_service.content.bidi import LRI, PDI
from cds_service.engine.phrase import amount
from cds_service.errors import UnusableRequest
from cds_service.label.compose import LABEL, LEAFLET, Whom, page
from cds_service.label.ink import PAPER
from cds_service.label.printing import PAPERS, Wanted, printed
from cds_service.label.schedule import by_day, dose_times
from cds_service.label.screen import html
from cds_service.label.screen import words as said
from cds_service.label.speech import Speech

from .labels import STORIES, WHOM, decision, flat, pdf, protocol, words

LANGUAGES = protocol().languages
FROM_THE_LEFT = ("en", "es", "fr", "pt", "sw")
LABELLED = ("01", "07", "12", "22")
"""Both branches and injections; a liquid; a tablet; several medicines and drinks."""


def orders(story: str) -> int:
    return len(decision(story).plan.orders)


@pytest.mark.parametrize("language", FROM_THE_LEFT)
@pytest.mark.parametrize("story", LABELLED)
@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_says_what_the_plan_says(story: str, language: str, paper: str) -> None:
    made = page(decision(story), PAPERS[paper], language, WHOM, PAPER)
    seen = re.sub(r"\s", "", words(pdf(story, paper=paper, language=language)))
    seen = seen.replace("--", "-")  # at the end of a line Portuguese writes a hyphen twice

    for sentence in said(made):
        if not re.match(r".*: \d\d:\d\d", sentence):  # a row of boxes, told to readers aloud
            for line in sentence.split("\n"):
                assert re.sub(r"\s", "", line) in seen, line


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("story", STORIES)
def test_every_example_has_a_leaflet_and_a_label_when_a_medicine_is_due(
    story: str, language: str
) -> None:
    if language not in ("en", "ar") and story[:2] not in LABELLED:
        return
    assert pdf(story, paper="a5", language=language).startswith(b"%PDF-")
    for paper in ("a6", "58mm"):
        if orders(story):
            assert pdf(story, paper=paper, language=language).startswith(b"%PDF-")
        else:
            with pytest.raises(UnusableRequest, match="No medicine is due"):
                pdf(story, paper=paper, language=language)


@pytest.mark.parametrize("story", [each for each in STORIES if orders(each)])
def test_there_is_one_box_for_each_dose_of_the_course(story: str) -> None:
    made = page(decision(story), LABEL, "en", WHOM, PAPER)

    for item, order in zip(made.items, decision(story).plan.orders, strict=True):
        assert sum(len(day.times) for day in item.days) == order.doses
        assert len({day.name for day in item.days}) == len(item.days)


def test_doses_follow_each_other_in_the_interval_of_the_content() -> None:
    (order,) = decision("07").plan.orders
    times = dose_times(order)

    assert [at - times[0] for at in times[:3]] == [
        (times[1] - times[0]) * count for count in range(3)
    ]
    assert (times[1] - times[0]).total_seconds() == 12 * 3600  # twice a day, W24
    assert [len(due) for _, due in by_day(times)] == [2] * 5


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sheet_says_that_it_is_a_proposal_and_a_draft_that_it_is_one(
    language: str, paper: str
) -> None:
    text = words(pdf("01", paper=paper, language=language))
    pages = int(re.search(r"Pages:\s+(\d+)", info(pdf("01", paper=paper, language=language)))[1])  # type: ignore[index]

    assert text.count("Proposal for a licensed health worker, who decides.") >= min(pages, 4)
    assert ("Draft translation, have it reviewed." in text) == (language != "en")


def info(document: bytes) -> str:
    done = subprocess.run(["pdfinfo", "-"], input=document, capture_output=True, check=True)
    return done.stdout.decode()


def test_the_pdf_is_tagged_has_its_title_and_only_our_fonts() -> None:
    document = pdf("01", language="ar")
    fonts = subprocess.run(["pdffonts", "-"], input=document, capture_output=True, check=True)
    names = [line.split()[0] for line in fonts.stdout.decode().splitlines()[2:]]

    assert re.search(r"Tagged:\s+yes", info(document))
    assert "Title:" in info(document)
    assert names
    assert all("NotoSans" in name for name in names)


@pytest.mark.parametrize("form", ["pdf", "svg", "html", "png"])
def test_the_same_question_gives_the_same_bytes(form: str) -> None:
    one, two = (printed(decision("07"), Wanted(form, "a6", "am"), WHOM).body for _ in range(2))

    assert one == two


def test_what_is_not_known_of_the_infant_is_a_line_to_write_on() -> None:
    text = words(pdf("07", Whom()))

    assert "Name of the baby" in text
    assert "Wren Alder" not in text


def test_numbers_keep_their_way_in_a_text_that_runs_left() -> None:
    made = page(decision("07"), LABEL, "ar", WHOM, PAPER)

    assert made.runs_left
    assert f"{LRI}5\u00a0mL{PDI}" == made.items[0].figure


def test_a_number_is_said_aloud_with_its_point() -> None:
    speech = Speech(protocol(), "en")
    assert speech.aloud(Decimal("2.5")) == "two point five"
    assert speech.aloud(Decimal("0.05")) == "zero point zero five"
    assert speech.aloud(Decimal(16)) == "sixteen"
    assert speech.aloud(Decimal(50)) == ""


def test_a_bottle_says_when_what_is_left_is_thrown_away() -> None:
    # 7 days after it was made up on 31 August 2026.
    assert "throw away what is left on Monday 7 September 2026" in words(pdf("07"))


def test_each_of_two_medicines_of_which_one_is_given_names_the_other() -> None:
    plans = [decision(story).plan for story in STORIES]
    assert any(order.instead_of for plan in plans for order in plan.orders)
    for story in STORIES:
        made = page(decision(story), LABEL, "en", WHOM, PAPER)
        for item, order in zip(made.items, decision(story).plan.orders, strict=True):
            rivals = [each for each in decision(story).plan.orders if each.instead_of == order.key]
            told = [note for note in item.notes if note.endswith("never both.")]
            assert len(told) == len(rivals) + bool(order.instead_of)


def test_what_holds_in_one_branch_only_says_so() -> None:
    made = page(decision("01"), LABEL, "en", WHOM, PAPER)

    for item, order in zip(made.items, decision("01").plan.orders, strict=True):
        where = "referred" if order.branch == "refer" else "treated here"
        assert item.notes[0] == f"Only if the baby is {where}"


def test_a_plan_that_waits_for_a_fact_says_that_it_is_not_complete() -> None:
    story = next(each for each in STORIES if decision(each).plan.status == "data-required")
    made = page(decision(story), LEAFLET, "en", WHOM, PAPER)

    assert made.head.warnings[0].startswith("Not complete.")


def test_drawings_alone_leave_the_name_the_dose_and_the_boxes() -> None:
    text = words(pdf("07", wordless=True))

    assert "Wren Alder" in text
    assert "5 mL" in text
    assert "Breastfeed" not in text
    assert text.count("09:15") + text.count("21:15") == 10


def test_the_page_for_the_screen_reads_everything_and_runs_nothing() -> None:
    hostile = Whom("<script>alert(1)</script>", "")
    body = printed(decision("07"), Wanted("html", "a5", "fr"), hostile).body.decode()

    assert "<script" not in body
    assert "&lt;script&gt;alert(1)" in body
    assert 'lang="fr"' in body
    assert html(page(decision("07"), LEAFLET, "ar", WHOM, PAPER), []).startswith(
        b'<!doctype html><html lang="ar" dir="rtl">'
    )


def test_only_sheets_that_there_are_can_be_had() -> None:
    assert printed(decision("07"), Wanted("svg", "a6", "en", sheet=2), WHOM).sheets == 2
    with pytest.raises(UnusableRequest, match="there are 2"):
        printed(decision("07"), Wanted("svg", "a6", "en", sheet=3), WHOM)


def test_the_amount_is_that_of_the_order() -> None:
    for story in LABELLED:
        made = page(decision(story), LABEL, "en", WHOM, PAPER)
        for item, order in zip(made.items, decision(story).plan.orders, strict=True):
            given = order.dose.amount
            if given.unit == "mL":
                assert flat(item.figure) == f"{given.value.normalize():f} mL"
            else:
                assert Speech(protocol(), "en").say(amount(given)) in item.amount
