"""From bytes to a JSON tree, refusing what JSON leaves open and FHIR forbids.

A repeated key is the dangerous one: `{"value": 3.2, "value": 32}` is read as 32 by nearly every
parser. It is found by writing the tree out again and comparing the number of quotation marks:
each key and string has two, nothing else has any, so a key that was lost is missed exactly.
(RFC 8259 section 4 only says that names SHOULD be unique; FHIR R4 JSON: no repeated property.)
"""

import json
import re
from typing import Any, NoReturn

import orjson

from cds_service.errors import MalformedRequest, Problem

MAX_DEPTH = 254
"""Deepest nesting that is read: what orjson writes, so that the limit costs nothing."""

_NAME = re.compile(r"_?[a-z][a-zA-Z]{0,49}")
"""What the name of an element looks like; FHIR R4 has few with a digit and none with `_` within."""
_ROOTS = ("Parameters", "Bundle")

_RETYPE = "Send one JSON object in UTF-8, as RFC 8259 defines it (no NaN, no comment, no BOM)."


class _Members(list[tuple[str, Any]]):
    """The members of a JSON object in the order of the text, doubles included."""


def parse(body: bytes) -> Any:
    """The JSON value of `body`; numbers in it are approximate and for looking only.

    Raises MalformedRequest: not JSON, not UTF-8, nested too deeply, or a key that is repeated.
    """
    try:
        tree = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        _refuse(_unreadable(body, error))
    try:
        # In the usual layouts most texts come out as they came in, and need no counting.
        again = orjson.dumps(tree, option=orjson.OPT_INDENT_2 if body[1:2] == b"\n" else None)
    except TypeError:
        _refuse(_too_deep())
    # Of a text that is JSON, nothing but blanks can follow a whole value.
    if not body.startswith(again) and not _same_number_of_quotes(body, again):
        _no_repeated_key(body)
    return tree


def check_utf8(body: bytes) -> None:
    """Raise MalformedRequest unless the body is UTF-8, for a reader that looks at parts only."""
    if body.isascii():
        return
    try:
        body.decode()
    except UnicodeDecodeError as wrong:
        _refuse(_not_utf8(body, wrong))


def _unreadable(body: bytes, error: orjson.JSONDecodeError) -> Problem:
    """What orjson refuses, by kind: not UTF-8, too deep, a number too large, or not JSON at all."""
    try:
        body.decode()
    except UnicodeDecodeError as wrong:
        return _not_utf8(body, wrong)
    if error.msg.startswith("depth limit"):
        return _too_deep()
    where = f"line {error.lineno}, column {error.colno}"
    if error.msg.startswith("number is infinity"):
        what = f"The body has a number that is too large ({where})."
        return Problem("value", what, "Send the number as it was measured.")
    return Problem("structure", f"The body is not JSON ({where}).", _RETYPE)


def _not_utf8(body: bytes, wrong: UnicodeDecodeError) -> Problem:
    before = body[: wrong.start].decode()
    line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
    what = f"The body is not UTF-8 (line {line}, column {column})."
    return Problem("structure", what, "Send the text in UTF-8.")


def _too_deep() -> Problem:
    what = f"The body is nested more than {MAX_DEPTH} levels deep."
    return Problem("too-costly", what, "Send the resources without such nesting.")


def _same_number_of_quotes(body: bytes, again: bytes) -> bool:
    # An escaped quotation mark changes the count, so such a text is read the slow way.
    escaped = 0x5C in body and rb"\u0022" in body
    return not escaped and body.count(b'"') == again.count(b'"')


def named(place: str, key: str) -> str:
    """The place of a member: that of its object when the key does not look like one of FHIR's.

    Such a key may be anything, so it is not repeated in a message.

    >>> named("Patient", "birthdate"), named("Patient", "Orla Fenn"), named("Patient", "mv_7")
    ('Patient.birthdate', 'Patient', 'Patient')
    """
    return f"{place}.{key}" if _NAME.fullmatch(key) else place


def faults(body: bytes) -> list[Problem]:
    """Every repeated key, null, empty array, empty object and empty text, with its place.

    For a text that `parse` has read. (FHIR R4 JSON: arrays and objects are never empty,
    properties never null; a null stands only in an array, beside a `_` sibling.)
    """
    tree = json.loads(body, object_pairs_hook=_Members, parse_float=str, parse_int=str)
    found: list[Problem] = []
    _walk(tree, _root(tree), found)
    return found


def _no_repeated_key(body: bytes) -> None:
    doubled = [problem for problem in faults(body) if problem.code == "duplicate"]
    if doubled:
        _refuse(*doubled)


def _refuse(*problems: Problem) -> NoReturn:
    raise MalformedRequest(*problems) from None


def _root(tree: Any) -> str:
    if isinstance(tree, _Members):
        for key, value in tree:
            if key == "resourceType" and value in _ROOTS:
                return str(value)
    return "$this"


def _walk(value: Any, place: str, found: list[Problem]) -> None:
    if isinstance(value, _Members):
        _walk_object(value, place, found)
    elif isinstance(value, list):
        if not value:
            found.append(_empty(place))
        for index, item in enumerate(value):
            if item is not None:
                _walk(item, f"{place}[{index}]", found)
    elif value is None or value == "":
        found.append(_empty(place))


def _walk_object(members: _Members, place: str, found: list[Problem]) -> None:
    if not members:
        found.append(_empty(place))
    seen: set[str] = set()
    for key, value in members:
        inner = named(place, key)
        if key in seen:
            what = "The same property is given twice in one object."
            found.append(Problem("duplicate", what, "Send it once, with the right value.", inner))
        seen.add(key)
        _walk(value, inner, found)


def _empty(place: str) -> Problem:
    return Problem(
        "structure",
        "Null, an empty text, an empty array or an empty object is not FHIR.",
        "Leave an element out when it has no content.",
        place,
    )
