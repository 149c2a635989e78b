"""Every refusal has its words."""

import ast
import inspect

import pytest

from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.fhir import (
    facts,
    read,
    read_age,
    read_body,
    read_condition,
    read_medicine,
    read_observation,
    read_patient,
    read_response,
    read_visit,
    references,
)
from tests.changing import replace
from tests.fhir.sending import NOW, bundle, case, finding, patient, protocol, reasons, text, weight

MODULES = (
    facts, read, read_age, read_body, read_condition, read_medicine, read_observation, read_patient,
    read_response, read_visit, references,
)  # fmt: skip
TEXTS = {
    key.removeprefix("refusal."): words
    for key, words in protocol().texts
    if key.startswith("refusal.")
}


def literals() -> set[str]:
    """Every text that stands in the reader's modules."""
    trees = (ast.parse(inspect.getsource(module)) for module in MODULES)
    return {
        node.value
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def named() -> set[str]:
    """Every reason that is given to `refuse` or `Refusal` as it stands."""
    trees = (ast.parse(inspect.getsource(module)) for module in MODULES)
    calls = (node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call))
    return {
        call.args[0].value
        for call in calls
        if getattr(call.func, "attr", getattr(call.func, "id", "")) in {"refuse", "Refusal"}
        and isinstance(call.args[0], ast.Constant)
    }


def test_every_reason_has_its_words() -> None:
    assert len(named()) > 20
    assert named() <= set(TEXTS)


def test_no_words_are_left_over() -> None:
    composed = {"allergy-refuted", "allergy-entered-in-error"}
    assert set(TEXTS) - literals() == composed


@pytest.mark.parametrize("reason", sorted(TEXTS))
def test_words_are_one_to_three_sentences(reason: str) -> None:
    sentences = TEXTS[reason].split(". ")
    assert 1 <= len(sentences) <= 3
    assert TEXTS[reason].endswith(".")


def test_a_refusal_says_what_is_wrong_and_what_to_do() -> None:
    read_case = case(patient(), weight(3.4, "stone"), weight(-3, id="w2"), finding("unheard"))
    said = [
        render(protocol(), Message(f"refusal.{one.reason}", one.details))
        for one in read_case.refusals
    ]
    assert "unheard" in said[0]
    assert "from 0.1 kg to 10000 kg" in said[1]
    assert "kg, g, [lb_av]" in said[2]


def test_what_is_known_comes_from_the_protocol() -> None:
    first = protocol().signs[0].code
    without = replace(protocol(), signs=protocol().signs[1:], digest="without")
    body = text(bundle(patient(), finding(first)))
    assert reasons(read.read(body, without, now=NOW).case) == ["finding-unknown"]
