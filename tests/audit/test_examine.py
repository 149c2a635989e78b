"""A whole log examined: what is wrong is found, and the first entry that is wrong is named."""

from collections.abc import Callable, Sequence

import pytest

from cds_service.audit.examine import Examined, examine, opened
from cds_service.audit.export import Line, Note, Passed, Piece
from cds_service.audit.leaf import Payload, leaf_of, payload_of
from cds_service.audit.record import ERASURE
from cds_service.audit.tree import leaf_hash, root
from cds_service.errors import LogAltered, LogProofError
from tests.audit.logs import VERIFIER, checkpoint, entry, note, piece, pieces, signer
from tests.changing import replace


def lines(found: Sequence[Piece]) -> list[Line]:
    return [*found, Note(note(found))]


@pytest.mark.parametrize("size", [0, 1, 2, 3, 7, 8, 9, 64])
def test_a_log_in_order_is_in_order(size: int) -> None:
    assert examine(lines(pieces(size)), VERIFIER) == Examined(size, 0, 0)


def test_erased_entries_are_in_order_when_the_log_says_so() -> None:
    assert examine(lines(pieces(5, erased=(1, 3))), VERIFIER) == Examined(7, 2, 0)


def test_every_kept_checkpoint_is_compared() -> None:
    found = pieces(9)
    kept = [checkpoint(found[:size]) for size in (7, 0, 4, 9)]
    assert examine(lines(found), None, kept).size == 9


def _another_leaf(found: list[Piece]) -> None:
    found[4] = Piece(4, leaf_of(entry(99), payload_of(entry(99))), found[4].payload)


def _another_payload(found: list[Piece]) -> None:
    found[4] = Piece(4, found[4].leaf, payload_of(entry(99)))


def _another_salt(found: list[Piece]) -> None:
    payload = found[4].payload
    assert payload is not None
    found[4] = replace(found[4], payload=Payload(bytes(32), *_parts(payload)))


def _parts(payload: Payload) -> tuple[bytes, bytes, bytes]:
    return payload.request, payload.response, payload.rest


def _no_payload(found: list[Piece]) -> None:
    found[4] = Piece(4, found[4].leaf, None)


def _removed(found: list[Piece]) -> None:
    del found[4]


def _twice(found: list[Piece]) -> None:
    found.insert(5, found[4])


def _exchanged(found: list[Piece]) -> None:
    found[4], found[5] = found[5], found[4]


def _no_leaf_of_ours(found: list[Piece]) -> None:
    found[4] = Piece(4, b'{"form":3}', found[4].payload)


def _no_json(found: list[Piece]) -> None:
    found[4] = Piece(4, b"{", found[4].payload)


def _rest_of_others(found: list[Piece]) -> None:
    """A leaf that commits to a payload nobody can read."""
    payload = payload_of(entry(4))
    odd = Payload(payload.salt, payload.request, payload.response, b"[]")
    found[4] = Piece(4, leaf_of(entry(4), odd), odd)


DAMAGE = {
    _another_leaf: "not the one that the leaf commits to",
    _another_payload: "not the one that the leaf commits to",
    _another_salt: "not the one that the leaf commits to",
    _no_payload: "no erasure in the log tells why",
    _removed: "entry 5 stands in the place of this one",
    _exchanged: "entry 5 stands in the place of this one",
    _no_leaf_of_ours: "the leaf was altered: a leaf of form 3",
    _no_json: "the leaf was altered",
    _rest_of_others: "the payload cannot be read",
}


@pytest.mark.parametrize("damage", DAMAGE, ids=lambda damage: damage.__name__)
def test_the_first_entry_that_is_wrong_is_named(damage: Callable[[list[Piece]], None]) -> None:
    found = pieces(9)
    end = Note(note(found))
    damage(found)
    with pytest.raises(LogAltered, match=DAMAGE[damage]) as wrong:
        examine([*found, end], VERIFIER)
    assert wrong.value.index == 4


def test_an_entry_that_stands_there_twice_is_found_in_the_place_of_the_next() -> None:
    found = pieces(9)
    end = Note(note(found))
    _twice(found)
    with pytest.raises(LogAltered, match="entry 4 stands in the place") as wrong:
        examine([*found, end], VERIFIER)
    assert wrong.value.index == 5


def test_an_entry_written_anew_with_its_leaf_is_found_by_the_root() -> None:
    found = pieces(9)
    end = Note(note(found))
    found[4] = piece(4, entry(99))
    with pytest.raises(LogAltered, match="checkpoint of 9 entries") as wrong:
        examine([*found, end], VERIFIER)
    assert wrong.value.index == 8
    with pytest.raises(LogAltered) as wrong:
        examine([*found, end], VERIFIER, [checkpoint(pieces(size)) for size in (3, 4, 5, 6)])
    assert wrong.value.index == 4  # the more checkpoints are kept, the closer it is named


def test_entries_cut_off_at_the_end_are_missed() -> None:
    found = pieces(9)
    with pytest.raises(LogAltered, match=r"entry 7: .* covers 9 entries: entries were removed"):
        examine([*found[:7], Note(note(found))], VERIFIER)
    with pytest.raises(LogAltered, match=r"entry 7: .* covers 9 entries"):
        examine(lines(found[:7]), VERIFIER, [checkpoint(found)])


def test_entries_added_at_the_end_are_found() -> None:
    found = pieces(9)
    with pytest.raises(LogAltered, match="entry 7: no checkpoint covers"):
        examine([*found, Note(note(found[:7]))], VERIFIER)


def test_a_file_without_checkpoint_is_cut_off() -> None:
    with pytest.raises(LogAltered, match=r"entry 3: .*cut off"):
        examine(pieces(3), VERIFIER)


@pytest.mark.parametrize("by", [signer(2), signer(1, "log.example/other")])
def test_a_checkpoint_of_another_key_is_refused(by: object) -> None:
    found = pieces(3)
    with pytest.raises(LogProofError, match="no known key signed this"):
        examine([*found, Note(note(found, by))], VERIFIER)  # type: ignore[arg-type]


def test_whoever_has_the_key_can_write_anew_what_no_checkpoint_outside_covers() -> None:
    # The one case that cannot be found; with a checkpoint of all nine it is.
    honest, forged = pieces(9), pieces(9)
    forged[7] = piece(7, entry(99))
    assert examine(lines(forged), VERIFIER, [checkpoint(honest[:7])]).size == 9
    with pytest.raises(LogAltered):
        examine(lines(forged), VERIFIER, [checkpoint(honest)])


@pytest.mark.parametrize("about", [None, 5, 6, -1])
def test_an_erasure_names_an_earlier_entry(about: int | None) -> None:
    found = pieces(5)
    found.append(piece(5, entry(5, kind=ERASURE, about=about)))
    with pytest.raises(LogAltered, match="entry 5: an erasure names"):
        examine(lines(found), VERIFIER)


def test_a_payload_that_came_back_is_found() -> None:
    found = pieces(5)
    found.append(piece(5, entry(5, kind=ERASURE, about=2)))
    with pytest.raises(LogAltered, match="entry 2: entry 5 says that the payload was erased"):
        examine(lines(found), VERIFIER)


def test_two_erasures_of_one_entry_do_no_harm() -> None:
    found = pieces(5, erased=(2,))
    found.append(piece(6, entry(6, kind=ERASURE, about=2)))
    assert examine(lines(found), VERIFIER).erased == 1


def test_what_is_passed_over_may_hold_the_erasure() -> None:
    found = pieces(4, erased=(1,))
    part = [found[0], found[1], found[2], found[3], Passed(4, 1, leaf_hash(found[4].leaf))]
    assert examine([*part, Note(note(found))], VERIFIER) == Examined(5, 1, 1)


def test_a_part_cannot_be_compared_with_a_checkpoint_inside_what_it_passes_over() -> None:
    found = pieces(4)
    part = [Passed(0, 4, root(leaf_hash(each.leaf) for each in found))]
    with pytest.raises(LogProofError, match=r"passes over entry 2 .* export the whole log"):
        examine([*part, Note(note(found))], VERIFIER, [checkpoint(found[:3])])
    kept = [checkpoint(found)]
    assert examine([*part, Note(note(found))], VERIFIER, kept) == Examined(4, 0, 4)


def test_nothing_comes_after_the_checkpoint() -> None:
    with pytest.raises(LogProofError, match="stands after the checkpoint"):
        examine([*lines(pieces(3)), piece(3)], VERIFIER)


def test_a_part_of_no_size_is_refused() -> None:
    with pytest.raises(LogAltered, match="entry 0: no perfect part"):
        examine([Passed(0, 0, bytes(32)), Note(note([]))], VERIFIER)


def test_without_a_verifier_only_the_text_of_the_note_is_read() -> None:
    assert opened(note(pieces(3), signer(2)), None) == checkpoint(pieces(3))
    with pytest.raises(LogProofError):
        opened("", None)
