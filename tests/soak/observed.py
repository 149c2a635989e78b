"""What was seen while the service ran: plain values, to be judged afterwards."""

from collections import Counter
from dataclasses import dataclass, field
from typing import NamedTuple


class Kept(NamedTuple):
    """What an answer acknowledged: a caller keeps it, and it must hold for ever."""

    place: int
    answer: str
    """SHA-256 of the answer's bytes in hex; "" where the log has something else than these."""
    checkpoint: str
    """The signed note."""
    again: bool = False
    """Whether it is the stored answer to a request of before."""


@dataclass
class Life:
    """One process from its start to its end."""

    replica: int
    began: float
    """Seconds since the start of the whole."""
    sizes: list[tuple[float, int]] = field(default_factory=list)
    """Seconds since the start of this process, and its resident memory in bytes."""
    exit_code: int | None = None
    """None while it runs."""
    asked: bool = False
    """Whether it was told to stop."""


@dataclass
class Observed:
    """Everything that was seen in one run."""

    seconds: float = 0
    lives: list[Life] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    sizes: list[str] = field(default_factory=list)
    """Checkpoints that were asked for, signed."""
    told: Counter[tuple[str, int]] = field(default_factory=Counter)
    """How often each kind of request was answered with each status."""
    wrong: list[str] = field(default_factory=list)
    """Answers that may not be: kind, status and what was due."""
    cut_off: int = 0
    """Calls that a replica did not answer, being restarted; the other was asked."""
    refused: int = 0
    """Calls that were told to come again (503); the other was asked."""
    lost: list[str] = field(default_factory=list)
    """Acknowledged, and not in the log as it was acknowledged, or not proved."""
    entries: int = 0
    """Of the log at the end."""
    finding: str = ""
    """What is wrong with the log by its own verification; "" when nothing."""
