"""Who read the log, as an entry of its own: what was read is named by place, never an infant.

Neither a patient who was searched for nor the id of a decision stands in it: it is kept for ever,
also when what was read is erased.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson

from cds_service.audit.record import READING, Entry, Origin, told

MOST_NAMED = 200
"""Entries that are named one by one, the first that were shown; a page has no more."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One call that read something of the log."""

    what: str
    """Its kind: search, read, replay, export and so on."""
    by: tuple[str, ...] = ()
    """Names of the parameters of a search; no value of any."""
    entries: tuple[int, ...] = ()
    """What was shown, by index, at most MOST_NAMED."""
    count: int = 0
    """How many entries were shown."""


def reading(what: str, by: Sequence[str], entries: Sequence[int]) -> Reading:
    """The reading of these entries."""
    return Reading(what, tuple(by), tuple(entries[:MOST_NAMED]), len(entries))


def reading_entry(read: Reading, now: datetime, code_version: str, origin: Origin) -> Entry:
    """What is recorded: about an entry when it was that one alone."""
    said = {"read": read.what, "by": read.by, "entries": read.entries, "count": read.count}
    about = read.entries[0] if read.count == 1 else None
    return told(READING, orjson.dumps(said), now, code_version, origin=origin, about=about)


def reading_of(entry: Entry) -> Reading:
    """What an entry of that kind says."""
    said: dict[str, Any] = orjson.loads(entry.request)
    return Reading(said["read"], tuple(said["by"]), tuple(said["entries"]), said["count"])
