"""verify-log: whether the log, or an exported file, is what it was."""

import argparse
import asyncio
import os
import sys
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.examine import Examined, examine, opened
from cds_service.audit.finding import Verification
from cds_service.audit.note import Verifier
from cds_service.audit.store import Log
from cds_service.cli import sources
from cds_service.cli.arguments import CANNOT, PARTLY, UNVERIFIED, command, in_words, refuse
from cds_service.errors import CdsError, LogAltered, LogDamaged, LogProofError, LogUnavailable
from cds_service.settings.auditor import AuditorSettings

_EVERY = 60
"""Seconds between two looks of --watch."""
_PATIENCE = 600
"""Seconds for which a log that was seen before may be away (a restart) until --watch ends."""
_WHOLE = 24 * 3600
"""Seconds between two looks of --watch at the whole log; between them it looks at what is new."""


def add(commands: Any) -> None:
    """Declare the command."""
    verify = command(
        commands, "verify-log", _verify, "verify the whole log and name the first bad entry"
    )
    verify.add_argument(
        "file", nargs="?", type=Path, help="an exported log (NDJSON) instead of the log; - is stdin"
    )
    verify.add_argument(
        "--checkpoint",
        type=Path,
        metavar="FILE",
        help="a checkpoint that was kept outside: the log must agree with it",
    )
    sources.add_key(verify)
    verify.add_argument(
        "--new-only",
        action="store_true",
        help="only what came after the checkpoint; what was before is believed to be its tree",
    )
    verify.add_argument(
        "--watch",
        nargs="?",
        type=int,
        const=_EVERY,
        metavar="SECONDS",
        help="go on until stopped: see that the log only grows, look at all of it once a day, and "
        f"keep each checkpoint in the file of --checkpoint (default: every {_EVERY} seconds); a "
        f"log that was seen before may be away for {_PATIENCE // 60} minutes",
    )


def _verify(asked: argparse.Namespace) -> int:
    """0: in order; 1: not; 2: it cannot be said; 3: in order as far as it could be checked."""
    if (wrong := _usage(asked)) is not None:
        return refuse(wrong, code=CANNOT)
    try:
        if asked.file is not None:
            return _file(asked)
        return asyncio.run(_log(asked, AuditorSettings.read()))
    except (LogAltered, LogDamaged) as error:
        return refuse(f"The log is not what it was. First bad entry {error.index}: {error.what}")
    except LogProofError as error:
        return refuse(f"The log is not what it was: {error}")
    except CdsError as error:
        return refuse(str(error), code=CANNOT)
    except OSError as error:
        return refuse(in_words(error), code=CANNOT)


def _usage(asked: argparse.Namespace) -> str | None:
    """What is wrong with the question."""
    if asked.file is not None and (asked.watch is not None or asked.new_only):
        return "--watch and --new-only are for the log itself, not for a file."
    if asked.watch is not None and asked.checkpoint is None:
        return "--watch needs --checkpoint FILE: there it keeps what it saw last."
    if asked.new_only and asked.checkpoint is None:
        return "--new-only needs --checkpoint FILE: from there it goes on."
    if asked.file is not None and asked.checkpoint is None and not asked.key:
        return "A file alone proves nothing about who wrote it: give --key, --checkpoint, or both."
    return None


def _kept(path: Path | None, verifier: Verifier | None) -> Checkpoint | None:
    """The checkpoint in a file: believed without a verifier, since its owner kept it."""
    if path is None:
        return None
    try:
        return opened(path.read_text(encoding="utf-8"), verifier)
    except (LogProofError, UnicodeDecodeError) as error:
        raise CdsError(f"{path}: is no checkpoint of this log: {error}") from error


def _file(asked: argparse.Namespace) -> int:
    verifier = sources.verifier_of(asked.key or (), None)
    kept = _kept(asked.checkpoint, verifier)
    if str(asked.file) == "-":
        examined = _examined(sys.stdin.buffer, 0, verifier, kept)
    else:
        with asked.file.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            examined = _examined(file, size, verifier, kept)
    print(f"In order: {_told(examined.size, examined.erased, examined.passed)}.")
    if verifier is None and kept is not None and kept.size < examined.size:
        print(f"Entries from {kept.size} on are not vouched for: no --key was given.")
    return 0


def _examined(
    file: BinaryIO, size: int, verifier: Verifier | None, kept: Checkpoint | None
) -> Examined:
    return examine(sources.file_lines(file, size), verifier, () if kept is None else (kept,))


async def _log(asked: argparse.Namespace, settings: AuditorSettings) -> int:
    keys = asked.key or settings.verifiers
    kept = None
    if asked.watch is None or asked.checkpoint.exists():
        kept = _kept(asked.checkpoint, sources.verifier_of(keys, None))
    if asked.watch is None:
        async with _looking(asked, settings) as look:
            code = look.say_what_is_left_out()
            await look.at(kept, since=asked.new_only)
            return code
    return await _Watch(asked, settings, kept).go_on()


@asynccontextmanager
async def _looking(asked: argparse.Namespace, settings: AuditorSettings) -> AsyncIterator["_Look"]:
    keys = asked.key or settings.verifiers
    signer = None if keys else settings.own_signer()
    async with sources.looked_at(settings, signer) as log:
        if settings.payload_key_file:
            await log.need_payloads()
        verifier = sources.verifier_of(keys, signer)
        yield _Look(log, verifier, payloads=await log.opens_payloads())


class _Watch:
    """Looks again and again; what was kept of the last look goes on beyond a restart."""

    def __init__(
        self, asked: argparse.Namespace, settings: AuditorSettings, kept: Checkpoint | None
    ) -> None:
        self._asked, self._settings, self._kept = asked, settings, kept
        self._whole = self._seen = float("-inf")

    async def go_on(self) -> int:
        """Ends by what it raises."""
        while True:
            try:
                async with _looking(self._asked, self._settings) as look:
                    if self._seen < 0:
                        look.say_what_is_left_out()
                    await self._again_and_again(look)
            except LogDamaged:
                raise
            except LogUnavailable as error:
                if time.monotonic() - self._seen > _PATIENCE:
                    raise
                # Asked anew, from what was kept: a log that has shrunk is then told as that.
                refuse(f"{_clock()} {error}; it is asked again")
            await asyncio.sleep(self._asked.watch)

    async def _again_and_again(self, look: "_Look") -> None:
        asked = self._asked
        while True:
            # What was looked at can still be altered: its root stays, a payload need not.
            new_only = asked.new_only or time.monotonic() - self._whole < _WHOLE
            self._kept = await look.at(self._kept, since=new_only, to=asked.checkpoint)
            self._seen = time.monotonic()
            self._whole = self._whole if new_only else self._seen
            await asyncio.sleep(asked.watch)


class _Look:
    """How the log is looked at, with what the one who asks has of its keys."""

    def __init__(self, log: Log, verifier: Verifier | None, *, payloads: bool) -> None:
        self._log = log
        self._verifier = verifier
        self._payloads = payloads

    def say_what_is_left_out(self) -> int:
        """The exit code when nothing wrong is found."""
        left_out = [] if self._verifier is not None else [UNVERIFIED]
        if not self._payloads:
            left_out.append(
                "Requests and answers were not looked at: they are encrypted, and "
                "CDS_PAYLOAD_KEY_FILE is not set."
            )
        return refuse(*left_out, code=PARTLY) if left_out else 0

    async def at(
        self, kept: Checkpoint | None, *, since: bool, to: Path | None = None
    ) -> Checkpoint | None:
        """Verify once, and keep the new checkpoint in `to`; raises LogAltered."""
        note = await self._log.checkpoint()
        now = opened(note, self._verifier) if note else None
        # What the service signed shows that the log agrees with itself; `kept` is from outside.
        outside = [each for each in (kept, now) if each is not None]
        found = await self._found(outside, kept if since else None)
        if found.finding is not None:
            raise LogAltered(found.finding.position, found.finding.what)
        print(f"{_clock()} in order: {_seen(found, kept, since=since)}", flush=True)
        if to is not None and now is not None and (kept is None or kept.size < now.size):
            _keep(to, note)
        return kept if now is None else now

    async def _found(self, outside: Sequence[Checkpoint], since: Checkpoint | None) -> Verification:
        with sources.progress(await self._log.size(), "entries") as bar:

            def progress(done: int, _: int) -> None:
                bar.update(done - bar.n)

            return await self._log.verify(
                outside, since=since, payloads=self._payloads, progress=progress
            )


def _clock() -> str:
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")


def _seen(found: Verification, kept: Checkpoint | None, *, since: bool) -> str:
    told = _told(found.size, found.erased, 0)
    if since and kept is not None:
        told = f"{found.size} entries, looked at from entry {kept.size} on"
    elif kept is not None:
        told = f"{told}, the first {kept.size} as in the checkpoint that was kept"
    else:
        told = f"{told}; without a checkpoint from outside it only agrees with itself"
    if found.beyond:
        told = f"{told}; for the last {found.beyond} nothing vouches yet"
    return told


def _told(size: int, erased: int, passed: int) -> str:
    parts = [f"{size} entries", f"{erased} of them erased"]
    if passed:
        parts.append(f"{passed} not in the file, only their hashes")
    return ", ".join(parts)


def _keep(path: Path, note: str) -> None:
    """Replace the file in one step, so that there is always a whole checkpoint in it."""
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(note, encoding="utf-8")
    with beside.open("rb") as file:
        os.fsync(file.fileno())
    beside.replace(path)
