"""How files are cut into portions, and how a portion is answered that has no room."""

import random
from collections import Counter
from pathlib import Path
from typing import Any, cast

import pytest

from cds_service.cli.bulk import area, reading
from cds_service.cli.bulk.answering import Answering
from cds_service.cli.bulk.area import Slot
from cds_service.cli.bulk.reading import Reader
from cds_service.cli.bulk.workers import alone
from cds_service.service.lines import Said

LONGEST = 40


class Echo:
    """Says of a line what it was, and where."""

    longest = LONGEST

    def __init__(self, times: int = 1) -> None:
        self.times = times

    def said(self, line: bytes, place: str) -> Said:
        return Said(f"{place}: ".encode() + line * self.times, "same")

    def too_long(self, place: str) -> Said:
        return Said(f"{place} is too long".encode(), "refused")


def answers(files: list[Path], room: int = area.ROOM, times: int = 1) -> tuple[bytes, Counter[str]]:
    """What is said to the files, and how many lines by status."""
    said, tally = b"", Counter[str]()
    slot = Slot(LONGEST, room)
    answering = Answering(cast(Any, Echo(times)), several=True)
    reader = Reader([str(each) for each in files])
    for _, _, reply in alone(answering, slot, reader.fill):
        said += slot.said[: reply.size] + reply.beyond
        tally.update(reply.tally)
    return said, tally


def expected(texts: list[bytes], times: int = 1) -> bytes:
    """The same, said simply."""
    said = b""
    for file, text in enumerate(texts, 1):
        for number, line in enumerate(text.removesuffix(b"\n").split(b"\n") if text else (), 1):
            place = f"Line {number} of file {file}"
            longer = len(line) > LONGEST
            said += (
                f"{place} is too long\n".encode()
                if longer
                else f"{place}: ".encode() + line * times + b"\n"
            )
    return said


@pytest.mark.parametrize("seed", range(40))
def test_lines_are_the_same_however_they_are_cut(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    draw = random.Random(seed)
    monkeypatch.setattr(reading, "BLOCK", draw.choice((1, 3, 17, 64)))
    monkeypatch.setattr(area, "BLOCK", 64)
    monkeypatch.setattr(reading, "LINES", draw.choice((1, 2, 5)))
    texts = [
        b"".join(
            b"x" * draw.choice((0, 1, 7, LONGEST - 1, LONGEST, LONGEST + 1, 150, 500)) + b"\n"
            for _ in range(draw.randrange(9))
        ).removesuffix(b"\n" * draw.randrange(2))
        for _ in range(3)
    ]
    files = [tmp_path / str(number) for number in range(3)]
    for path, text in zip(files, texts, strict=True):
        path.write_bytes(text)

    said, tally = answers(files, room=draw.choice((30, 70, 1000)), times=3)

    assert said == expected(texts, times=3)
    assert tally.total() == said.count(b"\n")
    assert tally["refused"] == said.count(b"too long")
