"""Random tamperings of an exported log: each is found against a checkpoint outside."""

import io
import os
import random
from collections.abc import Callable

import pytest

from cds_service.audit.examine import examine
from cds_service.audit.export import read_all
from cds_service.audit.note import Verifier
from cds_service.errors import LogProofError
from tests.audit.logs import VERIFIER, checkpoint, entry, exported, piece, pieces, signer

ROUNDS = int(os.environ.get("CDS_TEST_TAMPERINGS", "2000"))
LOG = pieces(11, erased=(3, 8))
FILE = exported(LOG)
KEPT = checkpoint(LOG)
OTHER = signer(2)

Lines = list[bytes]


def _bit(lines: Lines, dice: random.Random) -> None:
    at = dice.randrange(len(lines))
    text = bytearray(lines[at])
    text[dice.randrange(len(text))] ^= 1 << dice.randrange(8)
    lines[at] = bytes(text)


def _byte_removed(lines: Lines, dice: random.Random) -> None:
    at = dice.randrange(len(lines))
    place = dice.randrange(len(lines[at]))
    lines[at] = lines[at][:place] + lines[at][place + 1 :]


def _byte_added(lines: Lines, dice: random.Random) -> None:
    at = dice.randrange(len(lines))
    place = dice.randrange(len(lines[at]) + 1)
    lines[at] = lines[at][:place] + bytes([dice.randrange(256)]) + lines[at][place:]


def _deleted(lines: Lines, dice: random.Random) -> None:
    first = dice.randrange(len(lines))
    del lines[first : first + dice.randrange(1, 4)]


def _inserted(lines: Lines, dice: random.Random) -> None:
    lines.insert(dice.randrange(len(lines) + 1), dice.choice(lines))


def _forged(lines: Lines, dice: random.Random) -> None:
    """An entry of our own making, in the place of another or between two."""
    at = dice.randrange(len(LOG))
    made = exported([piece(at, entry(dice.randrange(1000, 2000)))]).splitlines(keepends=True)[0]
    lines[at : at + dice.randrange(2)] = [made]


def _reordered(lines: Lines, dice: random.Random) -> None:
    before = list(lines)
    while lines == before:
        one, two = dice.randrange(len(lines)), dice.randrange(len(lines))
        lines[one], lines[two] = lines[two], lines[one]


def _truncated(lines: Lines, dice: random.Random) -> None:
    text = b"".join(lines)
    lines[:] = [text[: dice.randrange(len(text))]]


def _rebuilt(lines: Lines, dice: random.Random) -> None:
    """All written anew around a change, in itself in order, signed with the log's own key."""
    found = list(LOG)
    at = dice.randrange(len(found))
    if dice.random() < 0.5:
        found[at] = piece(at, entry(dice.randrange(1000, 2000)))
    else:
        found = pieces(dice.randrange(len(LOG)))
    by = signer() if dice.random() < 0.5 else OTHER
    lines[:] = exported(found, by).splitlines(keepends=True)


TAMPERINGS: tuple[Callable[[Lines, random.Random], None], ...] = (
    _bit, _byte_removed, _byte_added, _deleted, _inserted, _forged, _reordered, _truncated,
    _rebuilt,
)  # fmt: skip


def _examine(file: bytes, verifier: Verifier) -> None:
    examine(read_all(io.BytesIO(file)), verifier, [KEPT])


def test_the_export_itself_is_in_order() -> None:
    _examine(FILE, VERIFIER)


@pytest.mark.parametrize("tamper", TAMPERINGS, ids=lambda tamper: tamper.__name__)
def test_every_tampering_of_an_export_is_found(
    tamper: Callable[[Lines, random.Random], None],
) -> None:
    dice = random.Random(f"{tamper.__name__} 2026")
    passed = []
    for _ in range(-(-ROUNDS // len(TAMPERINGS))):
        lines = FILE.splitlines(keepends=True)
        tamper(lines, dice)
        tampered = b"".join(lines)
        assert tampered != FILE
        try:
            _examine(tampered, VERIFIER)
        except LogProofError:
            continue
        passed.append(tampered)
    assert passed == []
