"""What the caregiver hears, in every language: the English beside it, the same numbers, no mix.

FHIR R4 extension-translation.html: `lang` (valueCode) and `content` (valueString).
Unicode Standard Annex 9: LRI (U+2066) and PDI (U+2069) isolate what runs from left to right.
"""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from typing import Any

import pytest

from cds_service.content.bidi import LRI, PDI
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.fhir.read import read
from cds_service.fhir.write import spoken_languages, write
from tests.catalogues import marked, numbers, swapped, with_language
from tests.examples import BASE, STORIES, sent
from tests.fhir.judge import judged, resources

Json = dict[str, Any]
PROTOCOL = load()
NOW = datetime(2026, 5, 1, 9, 30, tzinfo=UTC)
URL = "http://hl7.org/fhir/StructureDefinition/translation"
DRAFT = dict(PROTOCOL.texts)["write.draft"]
TREATED, REVIEWED = "07-local-infection-liquid", "Orla Fenn, Mvumo"


def answer(protocol: Protocol, story: str, language: str = "en", unmet: str = "") -> bytes:
    decision = decide(read(sent(story), protocol, now=NOW, strict=False).case, protocol)
    return write(decision, base=BASE, language=language, unmet=unmet)


@cache
def made_up(*, reviewed: str = "", left: bool = False) -> Protocol:
    words = swapped if left else marked("xa")
    return with_language(PROTOCOL, "he" if left else "xh", words, reviewed=reviewed, left=left)


def told(bundle: Json) -> Iterator[tuple[str, str]]:
    """Each text for the caregiver with the English beside it (itself, when there is none)."""
    for resource in resources(bundle):
        parts = [resource, *resource.get("payload", []), *resource.get("dosageInstruction", [])]
        for part in parts:
            for name in ("patientInstruction", "contentString"):
                if name in part:
                    yield part[name], beside(part.get(f"_{name}")) or part[name]


def beside(element: Json | None) -> str:
    if element is None:
        return ""
    (extension,) = element["extension"]
    lang, content = extension["extension"]
    assert extension["url"] == URL
    assert (lang["url"], lang["valueCode"], content["url"]) == ("lang", "en", "content")
    return str(content["valueString"])


def notes(bundle: Json) -> str:
    return "\n".join(each["text"] for each in bundle["entry"][0]["resource"].get("note", []))


@pytest.mark.parametrize("story", STORIES)
@pytest.mark.parametrize("language", PROTOCOL.languages[1:])
def test_every_example_in_every_language_says_the_same_numbers(story: str, language: str) -> None:
    english = judged(answer(PROTOCOL, story))
    bundle = judged(answer(PROTOCOL, story, language))
    assert bundle["id"] == english["id"]
    assert [each["fullUrl"] for each in bundle["entry"]] == [
        each["fullUrl"] for each in english["entry"]
    ]
    for text, original in told(bundle):
        assert numbers(text) == numbers(original)
    said = [text for text, _ in told(english)]
    assert [original for _, original in told(bundle) if DRAFT not in original] == said


@pytest.mark.parametrize("story", STORIES)
def test_only_what_the_caregiver_hears_is_in_another_language(story: str) -> None:
    english = answer(PROTOCOL, story).decode()
    bundle = json.loads(answer(made_up(reviewed=REVIEWED), story, "xh"))
    bundle["entry"][0]["resource"].pop("note", None)
    plain = json.loads(english)
    plain["entry"][0]["resource"].pop("note", None)
    digests = r'"value": "[0-9a-f]{64}"'

    def without(tree: Json) -> str:
        texts = re.sub(r'"xa [^"]*"', '""', json.dumps(_english(tree), sort_keys=True))
        return re.sub(digests, "", texts)

    assert without(bundle) == without(plain)


def _english(tree: Any) -> Any:
    if isinstance(tree, list):
        return [_english(each) for each in tree]
    if not isinstance(tree, dict):
        return tree
    made = {key: _english(each) for key, each in tree.items() if not key.startswith("_")}
    for name in ("patientInstruction", "contentString"):
        if f"_{name}" in tree:
            made[name] = beside(tree[f"_{name}"])
    return made | ({"language": "en"} if "language" in made else {})


def test_the_english_stands_beside_each_text() -> None:
    bundle = judged(answer(made_up(reviewed=REVIEWED), TREATED, "xh"))
    texts = list(told(bundle))
    assert len(texts) > 4
    for text, original in texts:
        assert text.startswith("xa ")
        assert not original.startswith("xa ")
        assert text.removeprefix("xa ").split()[0] == original.split()[0]


def test_a_resource_says_which_language_its_caregivers_text_is_in() -> None:
    bundle = judged(answer(made_up(), TREATED, "xh"))
    for resource in resources(bundle):
        speaks = any(
            text != original for text, original in told({"entry": [{"resource": resource}]})
        )
        assert resource["language"] == ("xh" if speaks else "en"), resource["resourceType"]


def test_a_draft_says_so_in_both_languages_until_it_is_reviewed() -> None:
    bundle = judged(answer(made_up(), TREATED, "xh"))
    mark = f"xa {DRAFT} {DRAFT}"
    instructions = [
        part["patientInstruction"]
        for resource in resources(bundle)
        for part in (resource, *resource.get("dosageInstruction", []))
        if "patientInstruction" in part
    ]
    assert len(instructions) >= 2
    assert all(text.endswith(mark) for text in instructions)
    (request,) = resources(bundle, "CommunicationRequest")
    assert request["payload"][-1]["contentString"] == mark
    assert DRAFT not in answer(made_up(reviewed=REVIEWED), TREATED, "xh").decode()
    assert DRAFT not in answer(PROTOCOL, TREATED).decode()


def test_a_text_without_translation_is_english_for_that_sentence_only_and_counted() -> None:
    def words(key: str, english: str) -> str:
        return "" if key == "care.return-at-once" else f"xa {english}"

    protocol = with_language(PROTOCOL, "xh", words)
    bundle = judged(answer(protocol, TREATED, "xh"))
    (request,) = resources(bundle, "CommunicationRequest")
    payload = request["payload"]
    (left,) = [each for each in payload if "_contentString" not in each]
    assert left["contentString"].startswith("Come back at once")
    assert "have no translation yet (xh), and are in English: 1." in notes(bundle)
    assert "no translation" not in notes(judged(answer(made_up(), TREATED, "xh")))


def test_a_language_without_any_text_is_english_throughout() -> None:
    protocol = with_language(PROTOCOL, "xh", lambda _key, _english: "")
    body = answer(protocol, TREATED, "xh")
    assert spoken_languages(body, "xh") == ("en",)
    assert {each["language"] for each in resources(judged(body))} == {"en"}
    assert DRAFT not in body.decode()
    assert "are in English: " in notes(json.loads(body))


def test_the_languages_of_an_answer_are_those_in_it() -> None:
    assert spoken_languages(answer(made_up(), TREATED, "xh"), "xh") == ("en", "xh")
    assert spoken_languages(answer(PROTOCOL, TREATED), "en") == ("en",)


def test_a_wish_that_is_not_met_names_what_is_used_instead() -> None:
    bundle = judged(answer(PROTOCOL, TREATED, "sw", unmet="xh"))
    assert "No texts in the language xh" in notes(bundle)
    assert "in the language sw." in notes(bundle)


@pytest.mark.parametrize("story", STORIES)
@pytest.mark.parametrize(
    ("protocol", "language"), [(PROTOCOL, "ar"), (made_up(left=True), "he")], ids=["ar", "made up"]
)
def test_every_number_in_text_that_runs_left_is_isolated(
    story: str, protocol: Protocol, language: str
) -> None:
    for text, original in told(judged(answer(protocol, story, language))):
        if text == original:
            continue
        depth = 0
        for each in text:
            depth += {LRI: 1, PDI: -1}.get(each, 0)
            assert depth in (0, 1)
        assert depth == 0
        outside = re.sub(f"{LRI}[^{PDI}]*{PDI}", "", text)
        assert not re.search("[0-9A-Za-z]", outside), text
        for number in re.findall(r"[0-9.]+ (?:mL|mg|IU)", original):
            assert number in text


def test_an_amount_with_its_unit_is_one_isolate() -> None:
    texts = " ".join(text for text, _ in told(judged(answer(made_up(left=True), TREATED, "he"))))
    assert re.search(f"{LRI}[0-9.]+ mL{PDI}", texts)


def test_english_answers_are_the_same_bytes_whatever_languages_there_are() -> None:
    assert answer(made_up(), TREATED) == answer(PROTOCOL, TREATED)
