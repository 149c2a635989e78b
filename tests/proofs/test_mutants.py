"""A sample of the content's mutants in every run.

All of them: `python -m tests.proofs.mutate_content`.
"""

import random
from dataclasses import replace

import pytest

from cds_service.content.load import load
from tests.proofs.mutants import Mutant, files, mutants, unchanged
from tests.proofs.mutate_content import everyone, judge, listed, reason_for
from tests.proofs.oracle import CRASHED, killed_by, with_file

CHOSEN = random.Random(1).sample(everyone(), 12)


def test_the_content_as_it_is_passes() -> None:
    assert killed_by(load()) == ""


@pytest.mark.parametrize("file", files())
def test_a_file_written_again_without_a_change_is_the_same_content(file: str) -> None:
    again = replace(with_file(file, unchanged(file)), digest="")
    assert again == replace(load(translated=False), digest="")


@pytest.mark.parametrize("file", files())
def test_every_mutant_is_a_change_with_a_name_of_its_own_that_is_taken_back(file: str) -> None:
    before, made = unchanged(file), mutants(file)
    for mutant in made[:: max(1, len(made) // 20)]:
        assert mutant.text != before
    assert unchanged(file) == before
    assert len({mutant.name for mutant in made}) == len(made)


@pytest.mark.parametrize("mutant", CHOSEN, ids=[mutant.name for mutant in CHOSEN])
def test_a_mutant_is_refused_or_killed(mutant: Mutant) -> None:
    result = judge(mutant)
    assert not result.verdict.startswith(CRASHED)
    assert result.verdict or reason_for(mutant.name, listed())
