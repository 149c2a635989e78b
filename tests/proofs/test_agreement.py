"""The encoding and the program say the same of every sampled infant, so what is proved of the one
holds for the other; and they would not, were any test of any row a little different."""

from functools import cache
from pathlib import Path

import pytest
import yaml

from cds_service.content.load import load
from tests.proofs.as_case import answered
from tests.proofs.content import content
from tests.proofs.encode import expected
from tests.proofs.faults import Fault, faults
from tests.proofs.kleene import some
from tests.proofs.prove import Prover
from tests.proofs.sample import samples

CONTENT, PROTOCOL = content(), load()


EQUIVALENT = {
    each["fault"]
    for each in yaml.safe_load(Path(__file__).with_name("equivalent.yaml").read_text())
}
"""Faults that no infant of this protocol can show."""


def test_the_program_says_what_the_encoding_says() -> None:
    for world in samples(CONTENT, 1500):
        assert answered(world, PROTOCOL) == expected(CONTENT, world), world


@cache
def prover() -> Prover:
    return Prover(CONTENT)


@pytest.mark.parametrize("table", CONTENT.tables)
def test_the_program_disagrees_with_every_fault_of_a_table(table: str) -> None:
    known = {fault.name: fault for fault in faults(CONTENT) if fault.table == table}
    same = {name for name, fault in known.items() if _is_same(fault)}
    assert same == EQUIVALENT & known.keys()


def test_every_fault_that_is_listed_is_one_of_a_table() -> None:
    assert {fault.name for fault in faults(CONTENT)} >= EQUIVALENT


def _is_same(fault: Fault) -> bool:
    """Whether no infant at all shows the fault; one that does is put before the program."""
    encoded = prover().encoded
    other = encoded.instead(fault.table, fault.written)
    differs = some(
        flag != encoded.now[code][place]
        for code, truth in other.items()
        for place, flag in enumerate(truth)
    )
    world = prover().infant(differs, assessed=False)
    if world is None:
        return True
    assert answered(world, PROTOCOL) == expected(CONTENT, world), fault.name
    return False
