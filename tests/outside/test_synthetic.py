"""Records of a synthetic patient generator that is not ours (PyPI `carebundle`, US Core 6.1.0).

Its patients are adults: none of them may get a medicine here, nor change what the infant gets.
"""

import json
from collections.abc import Iterator

import pytest
from carebundle import generate_bundle, to_json
from carebundle.profiles.library import PROFILES

from tests.outside.posting import Json, Poster, poster

SEEDS = range(3)


def record(profile: str, seed: int) -> Json:
    """The record of one adult, as the generator gives it."""
    found: Json = json.loads(to_json(generate_bundle(profile=profile, seed=seed)))
    return found


@pytest.fixture(scope="module")
def posts() -> Iterator[Poster]:
    with poster() as one:
        yield one


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_an_adult_gets_no_medicine_and_changes_none(posts: Poster, profile: str) -> None:
    for seed in SEEDS:
        entries = record(profile, seed)["entry"]
        resources = [each["resource"] for each in entries]
        (patient,) = [each for each in resources if each["resourceType"] == "Patient"]
        assert patient["birthDate"] < "2009"
        assert len(resources) > 30
        before = posts.beside
        assert posts.posts(resources) == []
        assert posts.beside - before > 30


def test_the_record_as_it_is_made_is_refused(posts: Poster) -> None:
    made = record("healthy", 0)

    assert made["type"] == "transaction"
    assert posts.ask("", made).status_code == 501
    answer = posts.ask("", made | {"type": "batch"})
    assert answer.status_code == 200
    assert {each["response"]["status"] for each in answer.json()["entry"]} == {"404"}
