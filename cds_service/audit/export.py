"""An exported log: one JSON object a line (NDJSON), a signed checkpoint as the last.

Four kinds of line, all else is refused:

    {"index":0,"leaf":TEXT,"salt":BASE64,"rest":TEXT,"request":TEXT,"response":TEXT}
    {"index":1,"leaf":TEXT,"erased":true}
    {"index":2,"count":2,"hash":BASE64}      passed over: the root of a perfect part of the tree
    {"checkpoint":NOTE}

TEXT is the exact bytes as UTF-8, or {"base64":BASE64} where they are none. So the file verifies
by itself (`audit.examine`), also when it holds only a part of the entries. There is one spelling
of each line: one that is written in any other way is refused.
"""

import base64
import binascii
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO, TypeVar

import orjson

from cds_service.audit.leaf import Payload
from cds_service.audit.tree import HASH_SIZE, Frontier, Subtree, leaf_hash, node_hash
from cds_service.errors import LogAltered, LogProofError

LONGEST = 256 * 1024 * 1024
"""Bytes of a line: more than any request that can be read."""
T = TypeVar("T")
_TEXTS = ("rest", "request", "response")


@dataclass(frozen=True, slots=True)
class Piece:
    """One entry, as it stands in a log."""

    index: int
    leaf: bytes
    payload: Payload | None
    """None: erased."""


@dataclass(frozen=True, slots=True)
class Passed:
    """`count` entries that were left out: a power of two that divides `index`, the first."""

    index: int
    count: int
    hashed: bytes
    """The root of this part of the tree."""


@dataclass(frozen=True, slots=True)
class Note:
    """The signed checkpoint at the end."""

    text: str


Line = Piece | Passed | Note


def written(line: Line) -> bytes:
    r"""One line with its newline.

    >>> written(Piece(3, b"{}", None))
    b'{"index":3,"leaf":"{}","erased":true}\n'
    """
    return orjson.dumps(_said(line), option=orjson.OPT_APPEND_NEWLINE)


def _said(line: Line) -> dict[str, Any]:
    if isinstance(line, Note):
        return {"checkpoint": line.text}
    if isinstance(line, Passed):
        return {"index": line.index, "count": line.count, "hash": _base64(line.hashed)}
    said: dict[str, Any] = {"index": line.index, "leaf": _text(line.leaf)}
    if line.payload is None:
        return said | {"erased": True}
    said["salt"] = _base64(line.payload.salt)
    return said | {name: _text(getattr(line.payload, name)) for name in _TEXTS}


def read(text: bytes, number: int) -> Line:
    """Read one line, the `number`th; raises LogProofError that names it."""
    try:
        line = _line(orjson.loads(text))
        if written(line) == text:
            return line
    except (ValueError, KeyError, TypeError):
        pass
    raise LogProofError(f"line {number} is not a line of an exported log: it was altered")


def _line(said: Any) -> Line:
    if "checkpoint" in said:
        return Note(_is(str, said["checkpoint"]))
    index = _is(int, said["index"])
    if "hash" in said:
        return Passed(index, _is(int, said["count"]), _unbase64(said["hash"]))
    leaf = _bytes(said["leaf"])
    if "erased" in said:
        return Piece(index, leaf, None)
    rest, request, response = (_bytes(said[name]) for name in _TEXTS)
    return Piece(index, leaf, Payload(_unbase64(said["salt"]), request, response, rest))


def _is(kind: type[T], value: Any) -> T:
    if type(value) is not kind:
        raise TypeError
    found: T = value
    return found


def lines(file: BinaryIO) -> Iterator[bytes]:
    """The lines of a file as they are, with their newline; raises LogProofError for a huge one."""
    while text := file.readline(LONGEST):
        if len(text) == LONGEST:
            raise LogProofError("the file is no exported log: a line is longer than any entry")
        yield text


def read_all(file: BinaryIO) -> Iterator[Line]:
    """Every line of an exported log; raises LogProofError, also when nothing ends it.

    A line that was altered is told by the entry that should stand there (LogAltered).
    """
    expected, line = 0, None
    for number, text in enumerate(lines(file), 1):
        if isinstance(line, Note):
            raise LogProofError(f"line {number} stands after the checkpoint, which is the last")
        try:
            line = read(text, number)
        except LogProofError as error:
            raise LogAltered(expected, str(error)) from None
        yield line
        if not isinstance(line, Note):
            expected = line.index + (line.count if isinstance(line, Passed) else 1)
    if not isinstance(line, Note):
        raise LogAltered(expected, "the file ends here without its checkpoint: it was cut off")


class Gaps:
    """Joins what is left out into few lines: the perfect parts of the tree, as large as can be."""

    def __init__(self) -> None:
        self._size = 0
        self._parts: list[Passed] = []

    def leave_out(self, leaf: bytes) -> None:
        """Pass over the next entry."""
        part = Passed(self._size, 1, leaf_hash(leaf))
        self._size += 1
        while self._parts and _together(last := self._parts[-1], part):
            self._parts.pop()
            part = Passed(last.index, 2 * last.count, node_hash(last.hashed, part.hashed))
        self._parts.append(part)

    def take(self) -> None:
        """The next entry is not left out; call `flushed` before."""
        self._size += 1

    def flushed(self) -> Iterable[Passed]:
        """What was left out since."""
        parts, self._parts = self._parts, []
        return parts


def parts(gaps: Iterable[tuple[int, int]], subtree: Subtree) -> list[Passed]:
    """What stands for the entries from first to before last of each gap.

    As few perfect parts of the tree as there can be: each as large as its place and the end allow.
    """
    found = []
    for at, last in gaps:
        while at < last:
            largest = 1 << ((last - at).bit_length() - 1)
            count = min(at & -at, largest) if at else largest
            found.append(Passed(at, count, subtree(at, count)))
            at += count  # noqa: PLW2901 - where the rest of the gap begins
    return found


def _together(left: Passed, right: Passed) -> bool:
    return left.count == right.count and left.index % (2 * left.count) == 0


def grown(frontier: Frontier, line: Piece | Passed) -> Frontier:
    """The frontier with what this line adds; raises LogProofError for a part that does not fit."""
    if isinstance(line, Piece):
        return frontier.append(leaf_hash(line.leaf))
    count, hashed = line.count, line.hashed
    if count < 1 or count & (count - 1) or frontier.size % count or len(hashed) != HASH_SIZE:
        raise LogProofError(f"no perfect part of {count} entries from {frontier.size}")
    roots, above = list(frontier.roots), frontier.size // count
    while above & 1:
        hashed = node_hash(roots.pop(), hashed)
        above >>= 1
    return Frontier(frontier.size + count, (*roots, hashed))


def _text(value: bytes) -> str | dict[str, str]:
    try:
        return value.decode()
    except UnicodeDecodeError:
        return {"base64": _base64(value)}


def _bytes(said: Any) -> bytes:
    return said.encode() if isinstance(said, str) else _unbase64(said["base64"])


def _base64(value: bytes) -> str:
    return base64.b64encode(value).decode()


def _unbase64(said: str) -> bytes:
    return binascii.a2b_base64(said, strict_mode=True) if said else b""
