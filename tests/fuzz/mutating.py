"""Hostile requests, made by Hypothesis: a good one with some of its places changed, cut or moved.

A number that JSON libraries would not write (1e400, NaN, 400 digits), half a surrogate pair or ten
thousand brackets go in as text.
"""

from collections.abc import Callable
from functools import cache, reduce
from typing import Any, NamedTuple

import orjson
from hypothesis import strategies as st

from tests.fuzz.planted import CANARY, Json, Place, Request, requests

_MISSING = object()


class Case(NamedTuple):
    """One request as it is sent."""

    path: str
    body: bytes
    headers: tuple[tuple[bytes, bytes], ...]

    def __repr__(self) -> str:
        """In short; the whole body when it is small."""
        shown = self.body if len(self.body) < 2_000 else self.body[:1_500] + b" ... "
        return f"Case({self.path}, {len(self.body)} bytes, {self.headers}, {shown!r})"


def _text(raw: str) -> orjson.Fragment:
    return orjson.Fragment(raw.encode())


_NUMBERS = [
    0, -1, 1, -0.0, 0.1, 1.5, 2, 2.5, 4, 30, 35.5, 37.5, 38, 60, 90, 100, 1e-9, 1e15, 2**53 + 1,
    2**31, -(2**63), 1e300, -1e300, 5e-324,
    *map(_text, ("1e400", "-1e999999", "NaN", "Infinity", "03.2", "3.", "1e-400", "9" * 400)),
    *map(_text, ("0." + "0" * 400 + "1", "-0", "3.20", "3.2E0", "+3.2", "0x10", "1_0")),
]  # fmt: skip
_TIMES = [
    "2026", "2026-02-30", "2026-13-01", "0001-01-01", "9999-12-31", "9999-12-31T23:59:59-14:00",
    "0001-01-01T00:00:00+14:00", "2026-05-01T24:00:00Z", "2026-05-01T09:30:00", "26-05-01",
    "2026-05-01T09:30:60Z", "2026-05-01T09:30:00.123456789123Z", "1900-01-01", "2199-12-31",
]  # fmt: skip
_WORDS = [
    "", " ", "#", "/", "urn:uuid:x", "http://", "Patient/", "../../etc/passwd", "%00", "{}", "null",
    "yes", "no", "true", "kg", "g", "mg", "mL", "Cel", "/min", "d", "final", "entered-in-error",
    "unknown", "active", "J01CA04", "29463-7", "'; DROP TABLE entry; --", "{{7*7}}",
    "\u202eabc", "\u0000", "\u200b", "\ufffe", "ﬁ", "٣", "İ", "e\u0301" * 50, "👶🏽" * 20, "a" * 70,
    "x" * 20_000, CANARY, f"Patient/{CANARY}", f"<b>{CANARY}</b>", f"{CANARY}\r\nx: {CANARY}",
    *map(_text, (r'"\ud800"', r'"\udc00\ud800"', r'"a\u0000b"', '"' + r"\u0041" * 3_000 + '"')),
]  # fmt: skip
_WHOLES = [
    None, True, False, [], {}, [[]], [None], [{}], {"resourceType": 5}, {"resourceType": "Patient"},
    {"coding": [{}]}, {"coding": {"code": CANARY}}, {"reference": "#"},
    {"reference": f"Patient/{CANARY}"},
    {CANARY.title(): 1}, {"value": 1}, {"value": "3.2", "unit": CANARY},
    {"start": "2199-12-31T23:00:00Z"},
    [{"resourceType": "Medication", "id": CANARY}], {"extension": [{"url": CANARY}]},
    *(_text("[" * n + "]" * n) for n in (60, 900, 5_000)),
    *(_text('{"a":' * n + "1" + "}" * n) for n in (60, 900, 5_000)),
    _text('{"a":1,"a":2}'), _text('{"value":3,"valu\\u0065":4}'),
]  # fmt: skip
_KEYS = [
    "", "_value", "value", "valueBoolean", "valueString", "valueQuantity", "dataAbsentReason",
    "extension", "modifierExtension", "contained", "implicitRules", "resourceType", "id", "status",
    "hasMember", "component", "__proto__", "__class__", "\u0000", "k" * 3_000, "meta",
    CANARY.title(), f"{CANARY}-7", f"{CANARY} {CANARY}",
]  # fmt: skip

_made = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=8,
)
_values = (
    st.sampled_from(_NUMBERS) | st.sampled_from(_TIMES) | st.sampled_from(_WORDS)
    | st.sampled_from(_WHOLES) | st.floats(allow_nan=False, allow_infinity=False)
    | st.integers(-(2**63), 2**63 - 1) | _made
)  # fmt: skip
_letters_alike = st.sampled_from(_TIMES) | st.sampled_from(_WORDS) | st.text(max_size=12)
_numbers_alike = st.sampled_from(_NUMBERS) | st.decimals(-10, 100, places=2).map(float)


@cache
def _beginnings() -> tuple[Request, ...]:
    return requests()


Change = Callable[[Json], None]


def _at(tree: Json, place: Place) -> Any:
    """What is there; `_MISSING` when an earlier change took it away."""
    for key in place:
        try:
            tree = tree[key]
        except (KeyError, IndexError, TypeError):
            return _MISSING
    return tree


def _put(tree: Json, place: Place, value: Any) -> None:
    """Put something where something is."""
    above = _at(tree, place[:-1])
    if isinstance(above, (dict, list)) and _at(above, place[-1:]) is not _MISSING:
        above[place[-1]] = value


def _alike(tree: Json, place: Place, letters: Any, number: Any) -> None:
    """Another value of the kind that is there."""
    value = _at(tree, place)
    if isinstance(value, str):
        _put(tree, place, letters)
    elif isinstance(value, bool):
        _put(tree, place, not value)
    elif isinstance(value, (int, float)):
        _put(tree, place, number)
    else:
        _drop(tree, place)


def _drop(tree: Json, place: Place) -> None:
    above = _at(tree, place[:-1])
    if isinstance(above, (dict, list)) and _at(above, place[-1:]) is not _MISSING:
        del above[place[-1]]


def _swap(tree: Json, place: Place, other: Place) -> None:
    one, two = _at(tree, place), _at(tree, other)
    # One that holds the other would hold itself.
    if _MISSING in (one, two) or place == other[: len(place)] or other == place[: len(other)]:
        return
    _put(tree, place, two)
    _put(tree, other, one)


def _copy(tree: Json, place: Place, other: Place) -> None:
    value = _at(tree, other)
    if value is not _MISSING and place[: len(other)] != other:
        _put(tree, place, value)


def _repeat(tree: Json, place: Place, times: int) -> None:
    above = _at(tree, place[:-1])
    if isinstance(above, list) and (value := _at(tree, place)) is not _MISSING:
        above += [value] * times


def _rename(tree: Json, place: Place, key: str) -> None:
    above = _at(tree, place[:-1])
    if isinstance(above, dict) and place[-1] in above:
        above[key] = above.pop(place[-1])


def _add(tree: Json, place: Place, key: str, value: Any) -> None:
    inside = _at(tree, place)
    if isinstance(inside, dict):
        inside[key] = value
    elif isinstance(inside, list):
        inside.append(value)


def _wrap(tree: Json, place: Place, how: int) -> None:
    """As a list, as an object, as text, or the other way round."""
    value = _at(tree, place)
    if value is _MISSING:
        return
    if isinstance(value, (list, dict)) and value and how == 3:
        _put(tree, place, next(iter(value.values())) if isinstance(value, dict) else value[0])
    else:
        _put(tree, place, ([value], {"value": value}, str(value), [value, value])[how])


def _letters(tree: Json, place: Place, piece: str, where: int) -> None:
    value = _at(tree, place)
    if isinstance(value, str):
        at = where % (len(value) + 1)
        _put(tree, place, value[:at] + piece + value[at + where % 3 :])


def _number(tree: Json, place: Place, times: float, more: float) -> None:
    value = _at(tree, place)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        _put(tree, place, value * times + more)


@st.composite
def changes(draw: st.DrawFn, places: tuple[Place, ...]) -> Change:
    """One change of one place."""
    anywhere = st.integers(0, len(places) - 1).map(places.__getitem__)
    place = draw(anywhere)
    kind = draw(st.integers(0, 10))
    if kind == 0:
        value = draw(_values)
        return lambda tree: _put(tree, place, value)
    if kind in (1, 2):
        letters, number = draw(_letters_alike), draw(_numbers_alike)
        return lambda tree: _alike(tree, place, letters, number)
    if kind == 3:
        return lambda tree: _drop(tree, place)
    if kind in (4, 5):
        other, move = draw(anywhere), (_swap, _copy)[kind - 4]
        return lambda tree: move(tree, place, other)
    if kind == 6:
        times = draw(st.sampled_from([1, 2, 30, 300]))
        return lambda tree: _repeat(tree, place, times)
    if kind == 7:
        key, value = draw(st.sampled_from(_KEYS)), draw(st.none() | _values)
        add = value is not None
        return lambda tree: _add(tree, place, key, value) if add else _rename(tree, place, key)
    if kind == 8:
        how = draw(st.integers(0, 3))
        return lambda tree: _wrap(tree, place, how)
    if kind == 9:
        piece = draw(
            st.sampled_from(["\u202e", "\n", "\u0000", " ", "é", "𐍈", CANARY]) | st.text(max_size=3)
        )
        where = draw(st.integers(0, 60))
        return lambda tree: _letters(tree, place, piece, where)
    times = draw(st.sampled_from([1, -1, 10, 0.1, 1000, 1e300, 0]))
    more = draw(st.sampled_from([0, 1, -1, 1e-9, 0.5]))
    return lambda tree: _number(tree, place, times, more)


@st.composite
def _cut(draw: st.DrawFn, body: bytes) -> bytes:
    """Something at one byte of the text."""
    at = draw(st.integers(0, len(body)))
    kind = draw(st.integers(0, 4))
    if kind == 0:
        return body[:at]
    if kind == 1:
        return body[:at] + body[at + 1 :]
    piece = draw(
        st.sampled_from([b"\xff", b"\xed\xa0\x80", b"\x00", b'"', b"{", b"]", b",", b" " * 500])
        | st.binary(max_size=4)
    )
    if kind == 2:
        return body[:at] + piece + body[at:]
    if kind == 3:
        return (b"\xef\xbb\xbf" + body, body.decode("utf-8", "replace").encode("utf-16"))[at % 2]
    return body + piece + body[:at]


_HEADERS = (
    (), (), (), ((b"prefer", b"handling=strict"),), ((b"accept-language", b"sw, ar;q=0.5"),),
    ((b"prefer", b"return=minimal"),), ((b"prefer", b"return=OperationOutcome"),),
    ((b"accept-language", b"\xff" + CANARY.encode()),),
    ((b"x-request-id", b"one " + CANARY.encode()),),
)  # fmt: skip


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """One hostile request."""
    beginning = draw(st.integers(0, len(_beginnings()) - 1).map(_beginnings().__getitem__))
    made = draw(st.lists(changes(beginning.places), min_size=1, max_size=3))
    body = orjson.loads(beginning.body)
    if "hookInstance" in body:  # else it would be the retry of another
        body["hookInstance"] = str(draw(st.uuids()))
    body = reduce(_changed, made, body)
    try:
        raw = orjson.dumps(body)
    except (TypeError, orjson.JSONEncodeError):  # a number of Python's that JSON has not
        raw = repr(body).encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 19)) == 0:
        raw = draw(_cut(raw))
    return Case(beginning.path, raw, draw(st.sampled_from(_HEADERS)))


def _changed(tree: Json, change: Change) -> Json:
    change(tree)
    return tree
