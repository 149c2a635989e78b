"""Proofs as text, to be verified offline.

`InclusionProof` is C2SP tlog-proof to the letter: header, optional `extra`, `index`, the path,
an empty line, the checkpoint as it was signed. `ConsistencyProof` is of our own making, since
C2SP has no text for it outside of its HTTP interfaces: the same kind of lines, with `old` and
`new` for the two sizes and no checkpoints: the auditor holds those already.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.lines import decimal, hash_line, plain, unbase64
from cds_service.audit.note import Verifier
from cds_service.audit.tree import leaf_hash
from cds_service.audit.verify import verify_consistency, verify_inclusion
from cds_service.errors import LogProofError

INCLUSION = "c2sp.org/tlog-proof@v1"
"""First line of an inclusion proof (the spec's)."""
CONSISTENCY = "cds-service/consistency-proof@v1"
"""First line of a consistency proof (ours)."""
LONGEST = 128
"""Hashes in a path: two for each level of a tree of 2^64 leaves."""


@dataclass(frozen=True, slots=True)
class InclusionProof:
    """Entry `index` is in the log that the checkpoint commits to."""

    index: int
    path: tuple[bytes, ...]
    """From the leaf's sibling to the child of the root."""
    checkpoint: str
    """The signed note, verbatim."""
    extra: bytes = b""
    """Of any meaning, and never to be trusted: nothing authenticates it."""

    def text(self) -> str:
        """The proof in the spec's form; files of it end in `.tlog-proof`."""
        extra = [f"extra {base64.b64encode(self.extra).decode()}"] if self.extra else []
        head = (INCLUSION, *extra, f"index {self.index}", *_encoded(self.path))
        return "".join(f"{line}\n" for line in head) + "\n" + self.checkpoint

    @classmethod
    def parse(cls, text: str) -> InclusionProof:
        """Read a proof; raises LogProofError. It is not to be believed unverified."""
        plain(text, "proof")
        head, gap, checkpoint = text.partition("\n\n")
        header, *lines = head.split("\n")
        if header != INCLUSION or not gap:
            raise LogProofError(f"an inclusion proof begins with {INCLUSION}")
        extra = b""
        if lines and lines[0].startswith("extra "):
            extra = unbase64(lines.pop(0).removeprefix("extra "))
        index = _named(lines, "index")
        return cls(index, _path(lines), checkpoint, extra)

    def verify(self, leaf: bytes, verifier: Verifier) -> Checkpoint:
        """The checkpoint that commits to this leaf at this index; raises LogProofError."""
        checkpoint = open_checkpoint(self.checkpoint, verifier)
        verify_inclusion(leaf_hash(leaf), self.index, checkpoint.size, self.path, checkpoint.root)
        return checkpoint


@dataclass(frozen=True, slots=True)
class ConsistencyProof:
    """The log of `old` entries is the beginning of the log of `new` entries."""

    old: int
    new: int
    path: tuple[bytes, ...]
    """As RFC 9162 section 2.1.4.1 orders it."""

    def text(self) -> str:
        """The proof in our form.

        >>> print(ConsistencyProof(0, 7, ()).text(), end="")
        cds-service/consistency-proof@v1
        old 0
        new 7
        """
        lines = (CONSISTENCY, f"old {self.old}", f"new {self.new}", *_encoded(self.path))
        return "".join(f"{line}\n" for line in lines)

    @classmethod
    def parse(cls, text: str) -> ConsistencyProof:
        """Read a proof; raises LogProofError. It is not to be believed unverified."""
        plain(text, "proof")
        header, *lines = text.split("\n")
        if header != CONSISTENCY or not lines or lines.pop():
            raise LogProofError(f"a consistency proof is lines after {CONSISTENCY}")
        old, new = _named(lines, "old"), _named(lines, "new")
        return cls(old, new, _path(lines))

    def verify(self, old_note: str, new_note: str, verifier: Verifier) -> None:
        """Both checkpoints are signed, and the old log is the beginning of the new one.

        Raises LogProofError.
        """
        old, new = (open_checkpoint(note, verifier) for note in (old_note, new_note))
        if old.origin != new.origin:
            raise LogProofError("the two checkpoints are of different logs")
        if (self.old, self.new) != (old.size, new.size):
            raise LogProofError("the proof is for other sizes than the checkpoints have")
        verify_consistency(old.size, old.root, new.size, new.root, self.path)


def _encoded(path: Sequence[bytes]) -> list[str]:
    return [base64.b64encode(value).decode() for value in path]


def _named(lines: list[str], name: str) -> int:
    """Take the next line, which gives this number."""
    line = lines.pop(0) if lines else ""
    if not line.startswith(f"{name} "):
        raise LogProofError(f"expected a line with the {name}")
    return decimal(line.removeprefix(f"{name} "), name)


def _path(lines: list[str]) -> tuple[bytes, ...]:
    if len(lines) > LONGEST:
        raise LogProofError(f"a path has at most {LONGEST} hashes")
    return tuple(map(hash_line, lines))
