"""JSON that is the same in many answers but for some blanks: made once, filled by joining bytes.

A part is composed as a dict, like any other, with blanks where answers differ:

- `{"authoredOn": blank("as_of")}`: inside a text; filled with what `escaped` gives;
- `{"id": identity("care-plan")}`: inside a text; the id of the resource with that role;
- `{"status": "draft", more("who"): None}` or `[first, more("rest")]`: whole members of an object
  or elements of an array, each after its comma, or nothing; never the first of them.

A blank is filled once and never looked at again. So what a caller sent goes into blanks, never
into the part itself.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import orjson

# No text of the content can hold these characters: YAML forbids them.
_BLANK, _MORE = "\x01", "\x02"
_CUT = re.compile(r',"\\u0002([^\\]+)\\u0002"(?::null)?|\\u0001([^\\]+)\\u0001')
_IDENTITY = "#"


def blank(name: str) -> str:
    """A place inside a text that each answer fills for itself."""
    return f"{_BLANK}{name}{_BLANK}"


def identity(role: str) -> str:
    """The place of the id of the resource that has this role in the answer."""
    return blank(_IDENTITY + role)


def more(name: str) -> str:
    """A place for further members (as a key of None) or elements."""
    return f"{_MORE}{name}{_MORE}"


@dataclass(frozen=True, slots=True)
class Template:
    """The bytes of one part, cut at its blanks.

    >>> made = Template.of({"id": blank("id"), more("note"): None})
    >>> made.fill({"id": b"7", "note": member("note", b'[{"text":"high"}]')})
    b'{"id":"7","note":[{"text":"high"}]}'
    >>> made.fill({"id": b"8", "note": b""})
    b'{"id":"8"}'
    """

    roles: tuple[tuple[str, bytes], ...]
    """The blanks that are ids: name of the blank and role, each once."""
    _parts: list[bytes]
    """Literal bytes and, in every second place, room for a blank."""
    _pick: Callable[[Mapping[str, bytes]], tuple[bytes, ...]]

    @classmethod
    def of(cls, part: Any) -> "Template":
        """Serialise a part and cut it at its blanks."""
        return cls._cut(orjson.dumps(part))

    @classmethod
    def of_text(cls, text: str) -> "Template":
        """The same of a text that itself goes into a blank."""
        return cls._cut(escaped(text))

    @classmethod
    def _cut(cls, written: bytes) -> "Template":
        literals, others, texts = (_CUT.split(written.decode())[each::3] for each in range(3))
        names = [other or text for other, text in zip(others, texts, strict=True)]
        parts = [b""] * (len(literals) + len(names))
        parts[::2] = [literal.encode() for literal in literals]
        roles = [name for name in dict.fromkeys(names) if name.startswith(_IDENTITY)]
        return cls(
            tuple((name, name.removeprefix(_IDENTITY).encode()) for name in roles),
            parts,
            _picker(names),
        )

    def fill(self, values: Mapping[str, bytes]) -> bytes:
        """The part with these blanks filled; raises KeyError when one is missing."""
        parts = self._parts.copy()
        parts[1::2] = self._pick(values)
        return b"".join(parts)


def _picker(names: list[str]) -> Callable[[Mapping[str, bytes]], tuple[bytes, ...]]:
    if len(names) > 1:
        return itemgetter(*names)  # quicker, but of one name it is no tuple
    return lambda values: tuple(values[name] for name in names)


def escaped(text: str) -> bytes:
    r"""A text as it stands between the quotes of a JSON string.

    >>> escaped('5 mL "now"')
    b'5 mL \\"now\\"'
    """
    return orjson.dumps(text)[1:-1]


def member(name: str, value: bytes) -> bytes:
    """One more member of an object, with the comma before it."""
    return b',"%b":%b' % (name.encode(), value)


def members(name: str, written: Sequence[bytes]) -> bytes:
    """An array of these elements as one more member, or nothing when there are none."""
    return member(name, b"[%b]" % b",".join(written)) if written else b""


def elements(written: Iterable[bytes]) -> bytes:
    """More elements of an array, each with the comma before it."""
    return b"".join([b"," + each for each in written])
