"""The exported file: exact bytes, one spelling, and parts of a log that still verify."""

import io
import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds_service.audit.examine import examine
from cds_service.audit.export import (
    Gaps,
    Line,
    Note,
    Passed,
    Piece,
    grown,
    read,
    read_all,
    written,
)
from cds_service.audit.leaf import Payload
from cds_service.audit.tree import Frontier
from cds_service.errors import LogAltered, LogProofError
from tests.audit.logs import VERIFIER, checkpoint, exported, note, pieces

whole = st.integers(min_value=0, max_value=2**62)
texts = st.binary(max_size=60) | st.text(max_size=30).map(str.encode)
payloads = st.builds(Payload, st.binary(max_size=40), texts, texts, texts)
lines = st.one_of(
    st.builds(Piece, whole, texts, st.none() | payloads),
    st.builds(Passed, whole, whole, st.binary(min_size=1, max_size=32)),
    st.builds(Note, st.text(max_size=50)),
)


@given(lines)
def test_a_line_keeps_every_byte(line: Line) -> None:
    assert read(written(line), 1) == line
    json.loads(written(line))  # it is JSON to everybody else, too


@given(lines, st.data())
def test_a_line_has_one_spelling(line: Line, data: st.DataObject) -> None:
    text = bytearray(written(line))
    place = data.draw(st.integers(0, len(text) - 1))
    text[place] ^= 1 << data.draw(st.integers(0, 7))
    with suppress(LogProofError):
        assert read(bytes(text), 1) != line


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\n",
        b"[]\n",
        b"1\n",
        b"null\n",
        b'{"index":0}\n',
        b'{"index":0,"leaf":"{}"}\n',
        b'{"index":0,"leaf":"{}","erased":false}\n',
        b'{"index":0,"leaf":"{}","erased":true}',  # without its newline
        b'{"index":0,"leaf":"{}","erased":true}\r\n',
        b'{ "index":0,"leaf":"{}","erased":true}\n',
        b'{"index":0.0,"leaf":"{}","erased":true}\n',
        b'{"index":0,"leaf":"{}","erased":true,"more":1}\n',
        b'{"index":0,"index":0,"leaf":"{}","erased":true}\n',
        b'{"index":0,"leaf":{"base64":"e30="},"erased":true}\n',  # it is text
        b'{"index":0,"leaf":{"base64":"!"},"erased":true}\n',
        b'{"index":0,"leaf":"\\u007b}","erased":true}\n',
        b'{"index":0,"count":1,"hash":7}\n',
        b'{"checkpoint":7}\n',
        b'{"index":true,"leaf":"{}","erased":true}\n',
        b"\xff\n",
    ],
)
def test_any_other_line_is_refused(text: bytes) -> None:
    with pytest.raises(LogProofError, match="line 5"):
        read(text, 5)


def test_a_file_without_its_end_is_refused() -> None:
    whole_file = exported(pieces(3))
    cut = b"".join(whole_file.splitlines(keepends=True)[:-1])
    with pytest.raises(LogAltered, match=r"entry 3: .*cut off"):
        list(read_all(io.BytesIO(cut)))


def test_nothing_stands_after_the_checkpoint() -> None:
    twice = exported(pieces(3)) + exported(pieces(3))
    with pytest.raises(LogProofError, match="line 5 stands after the checkpoint"):
        list(read_all(io.BytesIO(twice)))


def test_a_line_that_never_ends_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cds_service.audit.export.LONGEST", 1000)
    with pytest.raises(LogProofError, match="longer than any entry"):
        list(read_all(io.BytesIO(b"x" * 1000)))


@given(st.sets(st.integers(0, 69)), st.integers(0, 70))
def test_a_part_of_a_log_has_the_root_of_the_whole(chosen: set[int], size: int) -> None:
    found = pieces(size)
    part: list[Line] = []
    gaps = Gaps()
    for each in found:
        if each.index in chosen:
            part += [*gaps.flushed(), each]
            gaps.take()
        else:
            gaps.leave_out(each.leaf)
    part += gaps.flushed()
    examined = examine([*part, Note(note(found))], VERIFIER)
    there = sum(isinstance(line, Piece) for line in part)
    assert (examined.size, examined.passed) == (size, size - there)
    # Between two entries no more lines than the tree has levels on both sides.
    assert len(part) - there <= 2 * 7 * (there + 1)


@pytest.mark.parametrize(
    ("size", "passed"),
    [(0, 0), (1, 2), (2, 4), (4, 3), (4, -4)],
)
def test_a_part_that_does_not_fit_into_the_tree_is_refused(size: int, passed: int) -> None:
    frontier = Frontier()
    for each in pieces(size):
        frontier = grown(frontier, each)
    with pytest.raises(LogProofError, match="no perfect part"):
        grown(frontier, Passed(size, passed, bytes(32)))


def test_a_part_of_two_entries_counts_as_two() -> None:
    found = pieces(4)
    gaps = Gaps()
    for each in found[:2]:
        gaps.leave_out(each.leaf)
    (two,) = gaps.flushed()
    frontier = grown(grown(grown(Frontier(), two), found[2]), found[3])
    assert frontier.root() == checkpoint(found).root
