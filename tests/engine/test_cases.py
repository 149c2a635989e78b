"""The cases that a clinician can read (tests/cases/sick-young-infant), each with its source."""

from typing import Any

import pytest

from cds_service.content.load import load
from cds_service.engine import decide
from cds_service.engine.model import Decision
from tests.engine.cases import Told, every_case, read
from tests.engine.told import tell

CASES = list(every_case())
PROTOCOL = load()
SUBSET = {"ruled out", "classes", "open", "asks", "cautions", "care", "visits", "not recorded"}
ABSENT = {"no classes", "no cautions", "no care"}
PART = {"form", "packs", "doses left", "first due", "target"}


@pytest.mark.parametrize("told", CASES, ids=[told.name for told in CASES])
def test_case_as_the_clinical_text_has_it(told: Told) -> None:
    wrong = disagreements(told, decide(told.case, PROTOCOL))
    assert not wrong, "\n".join([told.source, *wrong])


def disagreements(told: Told, decision: Decision) -> list[str]:
    """What was written and was not found."""
    return [
        f"{word}: expected {expected!r}, found {found!r}"
        for word, expected in told.expect.items()
        if not agrees(word, expected, found := tell(decision, word))
    ]


def test_every_case_names_its_source_and_has_its_own_name() -> None:
    assert all(told.source.strip() for told in CASES)
    names = [told.name for told in CASES]
    assert sorted(set(names)) == sorted(names)
    assert all(told.expect for told in CASES)


def test_a_word_that_the_format_does_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="temprature"):
        read({"case": "a slip", "source": "-", "infant": {"temprature": "38 Cel"}, "expect": {}})


def agrees(word: str, expected: Any, found: Any) -> bool:
    """Whether what was found is what was written; lists of one kind need not be complete."""
    if word == "fluids":
        return bool(({} if expected == "none" else expected) == found)
    if expected == "none" and isinstance(found, list):
        return not found
    if word in {"here", "before referral"}:
        return _same_doses({} if expected == "none" else expected, found)
    if word in PART:
        return all(found.get(code) == value for code, value in expected.items())
    if word in SUBSET:
        return set(expected) <= set(found)
    if word in ABSENT:
        return not set(expected) & set(found)
    if word == "says":
        return all(text in found for text in expected)
    if word == "never says":
        return not any(text in found for text in expected)
    if isinstance(expected, list):
        return sorted(expected) == sorted(found)
    return bool(expected == found)


def _same_doses(expected: dict[str, str], found: dict[str, str]) -> bool:
    """A dose that ends with "..." leaves the rest of the course open."""
    if expected.keys() != found.keys():
        return False
    return all(
        found[code].startswith(text.removesuffix("...").rstrip())
        if text.endswith("...")
        else found[code] == text
        for code, text in expected.items()
    )
