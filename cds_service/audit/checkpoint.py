"""Checkpoints (C2SP tlog-checkpoint): size and root of the log as the text of a signed note."""

from __future__ import annotations

import base64
from dataclasses import dataclass

from cds_service.audit.lines import decimal, hash_line, plain
from cds_service.audit.note import Verifier
from cds_service.errors import LogProofError


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What the log commits to at one size."""

    origin: str
    """Names the log; its keys sign under the same name."""
    size: int
    """Entries in the log."""
    root: bytes
    """Root of the tree over them (RFC 9162 section 2.1.1)."""
    extensions: tuple[str, ...] = ()
    """Further lines, kept as they are; ours has none."""

    def text(self) -> str:
        """The text to be signed.

        >>> print(Checkpoint("log.example/one", 0, bytes(32)).text(), end="")
        log.example/one
        0
        AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=
        """
        root = base64.b64encode(self.root).decode()
        return "".join(f"{line}\n" for line in (self.origin, self.size, root, *self.extensions))

    @classmethod
    def parse(cls, text: str) -> Checkpoint:
        """Read the text of a note; raises LogProofError. It is not to be believed unverified."""
        plain(text, "checkpoint")
        lines = text.split("\n")
        if lines.pop() or len(lines) < 3 or not all(lines):
            raise LogProofError("a checkpoint has three lines or more, none of them empty")
        origin, size, root, *extensions = lines
        return cls(origin, decimal(size, "size"), hash_line(root), tuple(extensions))


def open_checkpoint(note: str, verifier: Verifier) -> Checkpoint:
    """The checkpoint in a note that a known key of this log signed; raises LogProofError.

    The spec says that origin and key name should be the same. We insist on it: a key of one
    log must not speak for another.
    """
    text, signers = verifier.open(note)
    checkpoint = Checkpoint.parse(text)
    if checkpoint.origin not in signers:
        raise LogProofError("the checkpoint is of another log than the key that signed it")
    return checkpoint
