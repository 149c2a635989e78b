"""Every story of examples/: its request is answered by the real service exactly as it says."""

import asyncio
import re
from datetime import date
from decimal import Decimal
from pathlib import Path

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.parameters import Parameters

from cds_service.content.load import load
from tests import examples
from tests.examples import STORIES, block, claims, compact, pretty, readme, sent, stored
from tests.fhir.judge import judged

_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_AMOUNT = re.compile(r"(\d+(?:\.\d+)?) (?:mL|mg|kg|g|°C|°F|breaths|tablets)\b")
each_story = pytest.mark.parametrize("story", STORIES)


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, httpx.Response]:
    return asyncio.run(examples.answers(tmp_path_factory.mktemp("examples") / "log.db"))


@each_story
def test_the_answer_is_the_stored_one(story: str, answers: dict[str, httpx.Response]) -> None:
    assert answers[story].status_code == 200
    assert pretty(answers[story].content) == stored(story), "python -m tests.examples_renew"
    assert compact(stored(story)) == answers[story].content


@each_story
def test_the_answer_is_fhir_r4(story: str, answers: dict[str, httpx.Response]) -> None:
    judged(answers[story].content)


@each_story
def test_the_request_is_fhir_r4(story: str) -> None:
    model = Parameters if b'"resourceType": "Parameters"' in sent(story) else Bundle
    model.model_validate_json(sent(story))


def test_strict_handling_gives_the_same_answers(
    tmp_path: Path, answers: dict[str, httpx.Response]
) -> None:
    strict = asyncio.run(examples.answers(tmp_path / "log.db", prefer="handling=strict"))

    assert {story: each.content for story, each in strict.items()} == {
        story: each.content for story, each in answers.items()
    }


@each_story
def test_the_readme_claims_what_the_answer_says(
    story: str, answers: dict[str, httpx.Response]
) -> None:
    assert block(readme(story)) == claims(answers[story].content)


@each_story
def test_every_amount_in_the_words_of_a_readme_was_sent_or_answered(story: str) -> None:
    known = set(map(Decimal, _NUMBER.findall(sent(story).decode() + stored(story))))

    assert [each for each in _AMOUNT.findall(readme(story)) if Decimal(each) not in known] == []


@each_story
def test_the_age_in_a_readme_is_that_of_the_infant(story: str) -> None:
    request = sent(story).decode()
    born, seen = (
        date.fromisoformat(re.findall(rf'"(?:{name})": "(.{{10}})', request)[0])
        for name in ("birthDate", "valueDateTime|start")
    )

    assert re.findall(r"(\d+) days", readme(story))[0] == str((seen - born).days)


@each_story
def test_the_readme_posts_its_own_request_to_the_operation(story: str) -> None:
    assert f"--data-binary @examples/{story}/request.json" in readme(story)
    assert f"'http://127.0.0.1:8080{examples.PATH}'" in readme(story)


def test_the_list_names_every_story_and_no_other() -> None:
    text = (examples.FOLDER / "README.md").read_text(encoding="utf-8")

    assert re.findall(r"^\| \[([^]]+)\]\(\1/README\.md\)", text, re.MULTILINE) == STORIES


def test_every_class_and_every_choice_has_a_story() -> None:
    told = {line for story in STORIES for line in block(readme(story))}

    assert {f"class: {row.code}" for table in load().tables for row in table.rows} <= told
    assert {line for line in told if line.startswith("choice: ")} == {
        "choice: none",
        "choice: refer",
        "choice: exactly one of refer and here",
        "choice: refer; here only if that fails",
        "choice: here; referral is due",
    }


def test_the_notes_are_the_stored_ones_and_fhir_r4(tmp_path: Path) -> None:
    notes = asyncio.run(examples.answers(tmp_path / "log.db", examples.NOTE))

    assert notes
    for story, note in notes.items():
        assert pretty(note.content) == examples.stored_note(story), "python -m tests.examples_renew"
        Bundle.model_validate_json(note.content)
