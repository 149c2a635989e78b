"""The comparison can fail: a fault in the CQL is seen, and a function the translator drops."""

import random

import pytest

from cds_service.content.load import load
from tests.cql.compare import differences, elm, written
from tests.cql.infants import Infant, drawn

FAULTS = (
    ("< 35.5 'Cel'", "<= 35.5 'Cel'"),
    ("< 90 '%'", "<= 90 '%'"),
    ('"AgeDays" >= 7', '"AgeDays" > 7'),
    ("< 35 'wk'", "< 34 'wk'"),
    ('("sunken-eyes" and "Pinch Slow")', '("sunken-eyes" or "Pinch Slow")'),
)


def _infants() -> list[Infant]:
    draw = random.Random(5)
    return [drawn(draw) for _ in range(1500)]


def test_the_two_agree() -> None:
    assert differences(_infants(), load(), written()) == []


@pytest.mark.parametrize(("right", "wrong"), FAULTS)
def test_a_fault_in_the_cql_is_seen(right: str, wrong: str) -> None:
    cql = written()
    assert cql.count(right) == 1
    assert differences(_infants(), load(), cql.replace(right, wrong))


def test_a_function_that_the_translator_does_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="function"):
        elm(written() + '\ndefine "Rounded": Round(3.5)\n')
