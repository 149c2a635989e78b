"""The same proofs for every edition and every adaptation that comes with the program."""

from functools import cache

import pytest

from cds_service.content.load import edition_of, layers, load
from tests.proofs.as_case import answered
from tests.proofs.content import layered
from tests.proofs.encode import expected
from tests.proofs.prove import Prover
from tests.proofs.sample import samples

BASE = "sick-young-infant"
LAYERS = [
    *((edition, "") for edition in layers(BASE, "edition")),
    *((edition_of(BASE, name), name) for name in layers(BASE, "adaptation")),
]
every_layer = pytest.mark.parametrize(("edition", "adaptation"), LAYERS)


@cache
def prover(edition: str, adaptation: str) -> Prover:
    return Prover(layered(edition, adaptation))


def test_there_are_layers() -> None:
    assert LAYERS


@every_layer
def test_every_assessed_infant_has_one_outcome(edition: str, adaptation: str) -> None:
    proved = prover(edition, adaptation)
    assert {t: left for t in proved.content.tables if (left := proved.undecided(t))} == {}


@every_layer
def test_every_row_is_reached_and_none_is_shadowed(edition: str, adaptation: str) -> None:
    proved = prover(edition, adaptation)
    for table in proved.content.tables:
        assert proved.never_reached(table) == []
        assert proved.shadowed(table) == []


@every_layer
def test_nothing_found_is_not_said_too_early_and_no_age_is_left_out(
    edition: str, adaptation: str
) -> None:
    proved = prover(edition, adaptation)
    for table in proved.content.tables:
        assert proved.too_early(table) is None
        assert proved.ages_left_out(table) == []


@every_layer
def test_the_program_says_what_the_encoding_says(edition: str, adaptation: str) -> None:
    content = layered(edition, adaptation)
    protocol = load(edition=edition, adaptation=adaptation)
    for world in samples(content, 400):
        assert answered(world, protocol) == expected(content, world)
