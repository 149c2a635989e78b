"""The last checkpoint that was signed, in a file beside the log: the service's own memory.

A log that was cut, or an older copy put in its place while the service was stopped, is found at the
start, before anything is signed that contradicts what callers hold. Whoever may write here too can
remove the file: against them only checkpoints kept elsewhere help.
"""

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import Verifier, VerifierKey, split
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
        with suppress(OSError):
            _write(self._path, self._last)

    def renew(self, note: str, keys: Sequence[VerifierKey]) -> None:
        """Write a checkpoint of now unless each of these keys has signed the one that is kept.

        So a new key is known here although nothing was recorded since, and the old one can go.
        """
        if self._path is None or not self._path.exists():
            return
        with suppress(OSError, LogProofError):
            _, signatures = split(self._path.read_text(encoding="utf-8"))
            signed = {(name, key_id) for name, key_id, _ in signatures}
            if any((key.name, key.id) not in signed for key in keys):
                _write(self._path, note)

    def kept(self, verifier: Verifier) -> Checkpoint | None:
        """The checkpoint that is kept; raises LogUnavailable when the file holds none.

        Also when another key signed it: callers would be handed checkpoints that nobody can verify.
        """
        if self._path is None or not self._path.exists():
            return None
        try:
            note = self._path.read_text(encoding="utf-8")
            # It is not synced: after a power cut its bytes may be missing, which shows nothing.
            if not note.strip("\0"):
                return None
            kept = Checkpoint.parse(split(note)[0])
        except (LogProofError, ValueError, OSError) as error:
            raise LogUnavailable(f"{self._path} is no checkpoint of the log: {error}") from error
        try:
            verifier.open(note)
        except LogProofError as error:
            raise LogUnavailable(
                f"the log was signed with another key or under another name ({self._path}: {error})"
                ": set CDS_LOG_KEY_FILE, CDS_LOG_NAME and CDS_BASE as they were. Only if that key "
                "is lost for ever remove that file, and give the new key to all who verify the log"
            ) from error
        return kept


def _write(path: Path, note: str) -> None:
    """Replace the file in one step."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    fresh.write_text(note, encoding="utf-8")
    fresh.replace(path)
