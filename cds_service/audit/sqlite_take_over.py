"""From layout 1 to layout 2: every entry gets a leaf, and an entry says that this was done.

Layout 1 had one table and no tree. Its positions, bytes and times stay; what layout 2 adds for
search is read from the answer. It happens within one transaction, entry by entry, so that it
needs little memory (and room on the disk for the log a second time).
"""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import orjson

from cds_service.audit import sqlite_layout
from cds_service.audit.growing import Growth
from cds_service.audit.record import TAKEN_OVER, Entry, Origin, told
from cds_service.audit.rows import Item, item_of
from cds_service.audit.seal import Sealer

_OLD = (
    "request", "response", "request_sha256", "response_sha256", "as_of", "recorded",
    "decision_id", "protocol", "content_digest", "code_version", "language", "strict", "tenant",
    "caller",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Described:
    """What an answer says of itself, so that it can be searched for."""

    patient: str = ""
    outcome: str = ""
    classes: tuple[str, ...] = ()


def undescribed(request: bytes, response: bytes) -> Described:  # noqa: ARG001
    """Nothing is known of the answers: they are found by time, caller and protocol only."""
    return Described()


def take_over(
    connection: sqlite3.Connection,
    sealer: Sealer,
    describe: Callable[[bytes, bytes], Described],
    now: datetime,
    code_version: str,
) -> None:
    """Bring the tables to layout 2, within the caller's transaction.

    `describe` gets request and answer of an entry.
    """
    for trigger in ("entry_never_changed", "entry_never_removed", "entry_in_order"):
        connection.execute(f"DROP TRIGGER {trigger}")
    connection.execute("DROP INDEX entry_by_decision")
    connection.execute("ALTER TABLE entry RENAME TO entry_1")
    sqlite_layout.lay_out(connection)
    growth = Growth()
    for entry in _old(connection, describe):
        growth = _add(connection, growth, item_of(entry, sealer))
    # The entry that tells those who read the log what happened to it.
    request = orjson.dumps({"layout": 1, "entries": growth.size})
    _add(connection, growth, item_of(told(TAKEN_OVER, request, now, code_version), sealer))
    connection.execute("DROP TABLE entry_1")


def _add(connection: sqlite3.Connection, growth: Growth, item: Item) -> Growth:
    after, tiles = growth.grown([item.hashed])
    sqlite_layout.insert(connection, [item], tiles, growth.size)
    return after


def _old(
    connection: sqlite3.Connection, describe: Callable[[bytes, bytes], Described]
) -> Iterator[Entry]:
    query = f"SELECT {', '.join(_OLD)} FROM entry_1 ORDER BY position"  # noqa: S608
    for row in connection.execute(query):
        entry = _entry(dict(zip(_OLD, row, strict=True)))
        is_of = describe(entry.request, entry.response)
        yield replace(entry, patient=is_of.patient, outcome=is_of.outcome, classes=is_of.classes)


def _entry(row: dict[str, Any]) -> Entry:
    times = {name: datetime.fromisoformat(row.pop(name)) for name in ("as_of", "recorded")}
    origin = Origin(tenant=row.pop("tenant"), caller=row.pop("caller"))
    return Entry(**row | times | {"strict": bool(row["strict"]), "origin": origin})
