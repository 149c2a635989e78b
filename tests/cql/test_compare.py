"""The comparison can fail: a fault in the CQL is seen, and a function the translator drops."""

import random
from functools import cache

import pytest

from cds_service.content.load import load
from tests.cql.compare import Classes, classes, differences, elm, evaluated, written
from tests.cql.drawing import drawn
from tests.cql.infants import Infant

FAULTS = (
    ("or \"Temperature\" < 35.5 'Cel'", "or \"Temperature\" <= 35.5 'Cel'"),
    ("< 90 '%'", "<= 90 '%'"),
    ('"AgeDays" >= 7', '"AgeDays" > 7'),
    ("< 35 'wk'", "< 34 'wk'"),
    ('("sunken-eyes" and "Pinch Slow")', '("sunken-eyes" or "Pinch Slow")'),
    ('not ("row severe-jaundice" or "row jaundice")', 'not "row jaundice"'),
    ('"day pneumonia" >= 4', '"day pneumonia" > 4'),
    ('"day local-bacterial-infection" >= 3', '"day local-bacterial-infection" > 3'),
    ('not "Fed Poorly Before"', '"Fed Poorly Before"'),
    ("< 2.0 'kg'", "<= 2.0 'kg'"),
    ("< 37 'wk'", "<= 37 'wk'"),
    ('"Boy Is Low" or "Girl Is Low" then null', '"Boy Is Low" or "Girl Is Low" then true'),
    ('not "Tested Negative" or not "not-breastfed"', 'not "Tested Negative"'),
    ('case when "Referral Is Due" then false else "oral-thrush" end', '"oral-thrush"'),
)


@cache
def _infants() -> list[Infant]:
    draw = random.Random(5)
    return [drawn(draw) for _ in range(1500)]


@cache
def _ours() -> list[Classes]:
    return classes(_infants(), load())


def _differences(cql: str) -> list[tuple[Infant, list[str]]]:
    return differences(_infants(), _ours(), evaluated(_infants(), elm(cql)))


def test_the_two_agree() -> None:
    assert _differences(written()) == []


def test_every_class_of_the_content_is_in_the_cql() -> None:
    (theirs,) = evaluated(_infants()[:1], elm(written()))
    assert set(theirs) == set(_ours()[0])


def test_every_fault_in_the_cql_is_seen() -> None:
    for right, wrong in FAULTS:
        cql = written()
        assert cql.count(right) == 1, right
        assert _differences(cql.replace(right, wrong)), right


def test_a_function_that_the_translator_does_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="function"):
        elm(written() + '\ndefine "Rounded": Round(3.5)\n')
