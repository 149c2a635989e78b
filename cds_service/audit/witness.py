"""The last checkpoint that was signed, kept with the log: the service's own memory.

A log that was cut, or an older copy put in its place while the service was stopped, is found at the
start, before anything is signed that contradicts what callers hold; so is another key than the one
that signed. Auditors who have no key that signs find there what the service vouches for. Whoever
may write here too can remove it: against them only checkpoints kept elsewhere help.
"""

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import NamedTuple

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import Verifier, VerifierKey, split
from cds_service.errors import LogProofError, LogUnavailable

EVERY = 1.0
"""Seconds between two writings."""


class Place(NamedTuple):
    """Where a checkpoint is kept from one run to the next."""

    name: str
    forget: str
    """How whoever keeps the log removes it, in words."""
    read: Callable[[], str | None]
    """The signed note, None when none was ever kept; raises OSError or ValueError."""
    write: Callable[[str], None]
    """Replace it, or raise OSError when that cannot be done."""


def in_file(path: Path) -> Place:
    """In a file of its own."""
    return Place(str(path), "remove that file", partial(_read, path), partial(_write, path))


class Witness:
    """Keeps the last checkpoint in one place. Its failure does no harm to what is recorded."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self._last = ""
        """A note that is not written yet."""
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
            f"{found} ({self._place.name}): was it altered, or an older copy put in its place? Put "
            f"the right one back. Only if there is none {self._place.forget}: callers hold "
            "checkpoints that the log does not agree with"
        )

    def signed(self, note: str) -> None:
        """Remember a signed checkpoint; `keep` writes it."""
        self._last = note

    def keep(self, *, now: bool = False) -> bool:
        """Write what was signed last, at most once in `EVERY` seconds or `now`.

        Whether it is still to be written. That it cannot be (a full disk) does no harm: the one
        of before holds as well.
        """
        moment = time.monotonic()
        if not self._last or not (now or moment - self._written >= EVERY):
            return bool(self._last)
        self._written = moment
        with suppress(OSError):
            self._place.write(self._last)
        self._last = ""
        return False

    def renew(self, note: str, keys: Sequence[VerifierKey]) -> None:
        """Write a checkpoint of now unless each of these keys has signed the one that is kept.

        So a new key is known here although nothing was recorded since, and the old one can go.
        """
        with suppress(OSError, LogProofError, LogUnavailable):
            kept = self.note()
            signed = {(name, key_id) for name, key_id, _ in split(kept)[1]} if kept else set()
            if any((key.name, key.id) not in signed for key in keys):
                self._place.write(note)

    def note(self) -> str:
        """The signed note that is kept, "" when there is none; raises LogUnavailable."""
        try:
            # A file is not synced: after a power cut its bytes may be missing, which shows nothing.
            return (self._place.read() or "").strip("\0")
        except OSError as error:
            raise LogUnavailable(f"{self._place.name} cannot be read: {error}") from error
        except ValueError as error:
            raise self._none_of_ours(error) from error

    def kept(self, verifier: Verifier) -> Checkpoint | None:
        """The checkpoint that is kept; raises LogUnavailable when something else is there.

        Also when another key signed it: callers would be handed checkpoints that nobody can verify.
        """
        note = self.note()
        if not note:
            return None
        try:
            kept = Checkpoint.parse(split(note)[0])
        except LogProofError as error:
            raise self._none_of_ours(error) from error
        try:
            verifier.open(note)
        except LogProofError as error:
            raise LogUnavailable(
                f"the log was signed with another key or under another name ({self._place.name}: "
                f"{error}): set CDS_LOG_KEY_FILE, CDS_LOG_NAME and CDS_BASE as they were. To "
                "change it: cds-service log-key --rotate. Only if the old key is lost for ever "
                f"{self._place.forget}, and give the new key to all who verify the log"
            ) from error
        return kept

    def _none_of_ours(self, error: Exception) -> LogUnavailable:
        return LogUnavailable(f"{self._place.name} is no checkpoint of the log: {error}")


def _read(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None


def _write(path: Path, note: str) -> None:
    """Replace the file in one step."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    fresh.write_text(note, encoding="utf-8")
    fresh.replace(path)
