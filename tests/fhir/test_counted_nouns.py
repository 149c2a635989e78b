"""One dose is not "1 doses": what is counted stands so that every number fits, or has two forms.

GNU gettext manual, "Plural forms" (from memory): languages differ in how many forms they have; a
number that follows its noun and a colon needs none.
"""

import re
from pathlib import Path

import pytest
from babel.messages.pofile import read_po

from cds_service.content.text import render
from cds_service.engine import phrase
from tests.engine.courses import DAY, dose, follow_up, order, slots
from tests.engine.test_edges import AT
from tests.engine.test_left_out import made
from tests.fhir.decisions import amoxicillin, gentamicin, protocol
from tests.fhir.test_write_courses import request

TEXTS = Path(__file__).parents[2] / "cds_service/protocols/sick-young-infant/translations"
DOSES = {"fr": "doses", "hi": "खुराकें", "pt": "doses"}
"""The languages in which one dose has another word than several."""
SEVERAL = ("dosage.course",)
"""Of two doses or more only: one dose alone is told as a single dose."""


def test_no_english_text_sets_a_number_that_may_be_one_before_a_plural() -> None:
    wrong = [
        key
        for key, text in protocol().text_by_key.items()
        if re.search(r"\{(doses|count|left|missed)\} (or more )?\w+s\b", text)
    ]
    assert wrong == list(SEVERAL)


@pytest.mark.parametrize("language", sorted(DOSES))
def test_no_translation_does(language: str) -> None:
    with (TEXTS / f"{language}.po").open("rb") as file:
        texts = {str(one.context): str(one.string) for one in read_po(file)}
    assert "{doses}" in texts["dosage.running"]
    wrong = [key for key, text in texts.items() if "{doses} " + DOSES[language] in text]
    assert wrong == list(SEVERAL)


def test_the_last_dose_of_a_course_is_told_as_one() -> None:
    said = str(render(protocol(), phrase.dosage(amoxicillin(doses=1))))
    assert said.endswith("of a course of 7 days, doses still to give: 1.")


def test_a_course_of_one_dose_is_a_single_dose() -> None:
    said = str(render(protocol(), phrase.dosage(gentamicin(days=1, doses=1))))
    assert said.endswith("one single dose.")


def test_doses_that_nobody_recorded_are_counted_for_one_too() -> None:
    known = follow_up(AT - DAY, in_use=(order("gentamicin", AT - DAY),))
    cautions = [str(render(protocol(), each.message)) for each in made(known).plan.cautions]
    (said,) = [each for each in cautions if "recorded neither as given nor as missed" in each]
    assert "recorded neither as given nor as missed: 1." in said


@pytest.mark.parametrize(("day", "left"), [(7, (1, "dose")), (6, (2, "doses"))])
def test_what_is_left_of_a_course_has_its_unit(day: int, left: tuple[int, str]) -> None:
    times = slots("gentamicin", day)
    given = tuple(dose("gentamicin", at) for at in times)
    known = follow_up(times[0], in_use=(order("gentamicin", times[0]),), given=given)
    told = request(made(known))["quantityQuantity"]
    assert (told["value"], told["unit"]) == left
