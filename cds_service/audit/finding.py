"""What the verification of a log finds."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """The first thing that is wrong."""

    position: int
    """The first bad entry; where only a checkpoint fails, the first that may be bad."""
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found. The log is as it was when `finding` is None and `beyond` is explained."""

    size: int
    root: bytes
    """Root of the tree over the entries that were read."""
    erased: int = 0
    """Entries without payload, of which an erasure tells."""
    beyond: int = 0
    """Entries after the last checkpoint that was given: nothing outside vouches for them yet."""
    finding: Finding | None = None
