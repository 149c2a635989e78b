"""An exported log examined, entry by entry, up to its checkpoint: what an auditor runs.

Every entry has to stand in its place, every payload to be the one its leaf commits to, every
payload that is gone to be told by an erasure, and the root over all leaves to be that of the
checkpoint, and on the way that of each checkpoint that was kept outside.

One case cannot be found: whoever has the signing key can write anew what is younger than the
last checkpoint that somebody else holds.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.export import Line, Note, Passed, Piece, grown
from cds_service.audit.leaf import Head, Payload, belongs, entry_of, head_of
from cds_service.audit.note import Verifier, split
from cds_service.audit.record import ERASURE
from cds_service.audit.tree import Frontier
from cds_service.errors import LogAltered, LogProofError


@dataclass(frozen=True, slots=True)
class Examined:
    """What was found in order."""

    size: int
    """Entries, those that were passed over too."""
    erased: int
    """Entries whose payload is gone, as the log itself says."""
    passed: int
    """Entries of which only a hash was there."""


class Examiner:
    """Takes the entries of a log in order. Every method raises LogAltered, naming an entry.

    `kept` are checkpoints from outside that the log has to agree with.
    """

    def __init__(self, kept: Sequence[Checkpoint] = ()) -> None:
        self._frontier = Frontier()
        self._kept = sorted(kept, key=lambda checkpoint: checkpoint.size)
        self._gone: set[int] = set()
        self._told: set[int] = set()
        self._erased = 0
        self._passed = 0
        self._compare()

    @property
    def size(self) -> int:
        """How many entries are examined."""
        return self._frontier.size

    def take(self, line: Piece | Passed) -> None:
        """Examine the next entry."""
        if line.index != self.size:
            raise LogAltered(self.size, f"entry {line.index} stands in the place of this one")
        if isinstance(line, Passed):
            self._pass(line)
            return
        head = _head(line)
        if line.payload is None:
            self._gone.add(line.index)
            self._erased += 1
        else:
            _examine(line.index, line.leaf, line.payload)
        if head.kind == ERASURE:
            self._explain(line.index, head.about)
        self._frontier = grown(self._frontier, line)
        self._compare()

    def unexplained(self) -> frozenset[int]:
        """Entries whose payload is gone although no erasure up to here names them."""
        return frozenset(self._gone)

    def end(self, checkpoint: Checkpoint) -> Examined:
        """The log ends here, and this is its checkpoint."""
        for each in (*self._kept, checkpoint):
            if each.size > self.size:
                what = f"the log ends here, and a checkpoint of it covers {each.size} entries"
                raise LogAltered(self.size, f"{what}: entries were removed")
        if checkpoint.size < self.size:
            raise LogAltered(checkpoint.size, "no checkpoint covers this entry: it was added")
        _agree(self._frontier, checkpoint)
        # An erasure may itself have been passed over.
        if self._gone and not self._passed:
            what = "the payload is gone, and no erasure in the log tells why"
            raise LogAltered(min(self._gone), what)
        return Examined(self.size, self._erased, self._passed)

    def _pass(self, line: Passed) -> None:
        if self._kept and self.size < self._kept[0].size < self.size + line.count:
            raise LogProofError(
                f"the file passes over entry {self._kept[0].size - 1} together with later ones, "
                "so it cannot be compared with the checkpoint that was kept: export the whole log"
            )
        try:
            self._frontier = grown(self._frontier, line)
        except LogProofError as error:
            raise LogAltered(line.index, str(error)) from error
        self._passed += line.count
        self._compare()

    def _explain(self, index: int, about: int | None) -> None:
        if about is None or not 0 <= about < index:
            raise LogAltered(index, "an erasure names the entry that it erased, an earlier one")
        if about in self._gone:
            self._gone.remove(about)
        elif not self._passed and about not in self._told:
            raise LogAltered(about, f"entry {index} says that the payload was erased; it is there")
        self._told.add(about)

    def _compare(self) -> None:
        while self._kept and self._kept[0].size == self.size:
            _agree(self._frontier, self._kept.pop(0))


def examine(
    lines: Iterable[Line], verifier: Verifier | None, kept: Sequence[Checkpoint] = ()
) -> Examined:
    """Examine an exported log; raises LogAltered, or LogProofError for its checkpoint.

    Without a verifier the signature is not looked at: then only what `kept` covers is shown.
    """
    examiner, examined = Examiner(kept), None
    for line in lines:
        if examined is not None:
            raise LogProofError("something stands after the checkpoint, which is the last")
        if isinstance(line, Note):
            examined = examiner.end(opened(line.text, verifier))
        else:
            examiner.take(line)
    if examined is not None:
        return examined
    raise LogAltered(examiner.size, "the log ends here without its checkpoint: it was cut off")


def opened(note: str, verifier: Verifier | None) -> Checkpoint:
    """The checkpoint of a note, believed without a verifier; raises LogProofError."""
    if verifier is not None:
        return open_checkpoint(note, verifier)
    return Checkpoint.parse(split(note)[0])


def _head(line: Piece) -> Head:
    try:
        return head_of(line.leaf)
    except ValueError as error:
        raise LogAltered(line.index, f"the leaf was altered: {error}") from error


def _examine(index: int, leaf: bytes, payload: Payload) -> None:
    if not belongs(leaf, payload):
        raise LogAltered(index, "the payload is not the one that the leaf commits to")
    try:
        entry_of(leaf, payload)
    except (ValueError, KeyError, TypeError) as error:
        raise LogAltered(index, "the payload cannot be read") from error


def _agree(frontier: Frontier, checkpoint: Checkpoint) -> None:
    if frontier.root() != checkpoint.root:
        what = f"up to here the leaves are not those of the checkpoint of {checkpoint.size} entries"
        raise LogAltered(max(0, checkpoint.size - 1), what)
