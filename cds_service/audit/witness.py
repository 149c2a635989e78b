"""The last checkpoint that was signed, in a file beside the log: the service's own memory.

A log that was cut, or an older copy put in its place while the service was stopped, is found at the
start, before anything is signed that contradicts what callers hold. Whoever may write here too can
remove the file: against them only checkpoints kept elsewhere help.
"""

import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import split
from cds_service.errors import LogProofError, LogUnavailable

EVERY = 1.0
"""Seconds between two writings."""


class Witness:
    """Keeps checkpoints in one file; without a path it keeps nothing."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._last = ""
        self._written = float("-inf")

    def check(self, kept: Checkpoint, size: int, root: Callable[[int], bytes]) -> None:
        """The log of this size goes on from the checkpoint that was kept; raises LogUnavailable."""
        if kept.size > size:
            found = f"the log has {size} entries, and {kept.size} were signed for"
        elif root(kept.size) != kept.root:
            found = f"the first {kept.size} entries of the log are not those that were signed for"
        else:
            return
        raise LogUnavailable(
            f"{found} ({self._path}): was it altered, or an older copy put in its place? Put the "
            "right one back. Only if there is none remove that file: callers hold checkpoints "
            "that the log does not agree with"
        )

    def keep(self, note: str, *, now: bool = False) -> None:
        """Remember a signed checkpoint; it is written at most once in `EVERY` seconds, or `now`.

        That it cannot be written (a full disk) does no harm: the one of before holds as well.
        """
        self._last = note or self._last
        moment = time.monotonic()
        if self._path is None or not self._last or not (now or moment - self._written >= EVERY):
            return
        self._written = moment
        fresh = self._path.with_name(f"{self._path.name}.{os.getpid()}.new")
        with suppress(OSError):
            fresh.write_text(self._last, encoding="utf-8")
            fresh.replace(self._path)

    def kept(self) -> Checkpoint | None:
        """The checkpoint that is kept; raises LogUnavailable when the file holds none."""
        if self._path is None or not self._path.exists():
            return None
        try:
            note = self._path.read_text(encoding="utf-8")
            # It is not synced: after a power cut its bytes may be missing, which shows nothing.
            return Checkpoint.parse(split(note)[0]) if note.strip("\0") else None
        except (LogProofError, ValueError, OSError) as error:
            raise LogUnavailable(f"{self._path} is no checkpoint of the log: {error}") from error
