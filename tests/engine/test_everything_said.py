"""Whatever the engine says of any case can be said in words, has its source, and is of its type.

The loader refuses a text that is missing in the content; this finds a key, a value or a source
that the engine itself leaves out.
"""

import dataclasses
import types
import typing
from collections.abc import Container, Iterator
from functools import cache
from typing import Any, Union

import pytest

from cds_service.content.load import load
from cds_service.content.model import EARLIER, Message
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.assessment_model import Caution, Missing
from cds_service.engine.computed import COMPUTED_UNITS
from cds_service.engine.model import Decision
from tests.engine.cases import Told, every_case

PROTOCOL = load()
CASES = list(every_case())
SEVERITIES = {"low", "moderate", "high"}
BRANCHES = {"", "here", "refer"}


@pytest.mark.parametrize("told", CASES, ids=[told.name for told in CASES])
def test_all_that_is_said_of_a_case_has_words_and_is_of_its_type(told: Told) -> None:
    in_words(decide(told.case, PROTOCOL))


def in_words(decision: Decision) -> Decision:
    """The decision, all of whose parts are of their types and can be said."""
    for part in (decision.plan, decision.assessment):
        for path, value, hint in parts(part, type(part).__name__):
            assert fits(value, hint), f"{path}: {value!r} is no {hint}"
            if isinstance(value, Message):
                in_full(value, decision.protocol)
            elif isinstance(value, Caution):
                assert value.severity in SEVERITIES, path
            elif isinstance(value, Missing):
                assert value.code in asked_of(decision.protocol)[value.kind], (path, value)
            assert getattr(value, "branch", "") in BRANCHES, path
    return decision


def assert_said(whole: Any, protocol: Protocol) -> None:
    """Every message within has its words."""
    for _, value, _ in parts(whole, ""):
        if isinstance(value, Message):
            in_full(value, protocol)


def in_full(message: Message, protocol: Protocol) -> str:
    """Its words, with nothing left open in them."""
    text = render(protocol, message)
    assert text, message
    assert not set(text) & set("{}"), text
    return text


def asked_of(protocol: Protocol) -> dict[str, Container[str]]:
    """What may be asked for, by its kind."""
    return {
        "finding": protocol.sign_by_code,
        "measure": {*protocol.measure_by_code, *COMPUTED_UNITS},
        "medicine": protocol.medicine_by_code,
        "class": {EARLIER + code for code in protocol.row_by_code},
        "age": {"age"},
        "sex": {"sex"},
    }


def parts(whole: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    """Every field within, with the type it is declared to have."""
    if isinstance(whole, (Protocol, type)):
        return
    for name, hint in hints(type(whole)).items():
        value = getattr(whole, name)
        yield f"{path}.{name}", value, hint
        yield from parts(value, f"{path}.{name}")
    if isinstance(whole, (tuple, frozenset)) and not hasattr(whole, "_fields"):
        for place, item in enumerate(whole):
            yield f"{path}[{place}]", item, Any
            yield from parts(item, f"{path}[{place}]")


@cache
def hints(kind: type) -> dict[str, Any]:
    if dataclasses.is_dataclass(kind):
        found = typing.get_type_hints(kind)
        return {field.name: found[field.name] for field in dataclasses.fields(kind)}
    return typing.get_type_hints(kind) if hasattr(kind, "_fields") else {}


def fits(value: Any, hint: Any) -> bool:
    """Whether a value is of a declared type, as far as the type says."""
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any or isinstance(hint, str):
        return True
    if origin in (Union, types.UnionType):
        return any(fits(value, one) for one in args)
    if origin is tuple:
        if not isinstance(value, tuple):
            return False
        if len(args) == 2 and args[1] is Ellipsis:
            return all(fits(item, args[0]) for item in value)
        return len(value) == len(args) and all(map(fits, value, args))
    if origin is not None:
        return isinstance(value, origin)
    return value is None if hint is type(None) else isinstance(value, hint)
