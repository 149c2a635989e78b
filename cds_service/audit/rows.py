"""How an entry becomes what a database stores, the same for every store, and back."""

from collections.abc import Sequence
from datetime import UTC, datetime
from hashlib import sha256
from typing import NamedTuple

import orjson

from cds_service.audit.leaf import Payload, entry_of, head_of, leaf_of, payload_of
from cds_service.audit.record import Entry
from cds_service.audit.seal import Sealed, Sealer
from cds_service.audit.store import Logged
from cds_service.audit.tree import leaf_hash
from cds_service.errors import LogUnavailable


class EntryRow(NamedTuple):
    """The columns of the table `entry` but `position`: what stays for ever."""

    kind: str
    leaf: bytes
    recorded: str
    """In UTC with microseconds, so that the text sorts as the time."""
    tenant: str
    caller: str
    protocol: str
    about: int | None
    key_hash: bytes | None


class PayloadRow(NamedTuple):
    """The columns of the table `payload` but `position`: what is erased. Small ones first."""

    patient: str
    decision: str
    outcome: str
    classes: str
    """`|code|code|`, so that one can be looked for."""
    as_of: str
    wrapped_key: bytes | None
    salt: bytes
    rest: bytes
    request: bytes
    response: bytes

    @property
    def sealed(self) -> Sealed:
        """The payload itself; what the other columns say is in it too."""
        return Sealed(self.wrapped_key, self.salt, self.rest, self.request, self.response)


SEALED = Sealed._fields
"""The columns of `PayloadRow.sealed`, in its order."""


class Item(NamedTuple):
    """An entry that is ready to be stored, wherever it will stand."""

    entry: EntryRow
    payload: PayloadRow
    hashed: bytes
    """The hash of its leaf in the tree."""
    erases: int | None = None
    """The index whose payload is destroyed in the same commit."""
    alone: bool = False
    """Whether it is erased also while feedback about it stays."""


def item_of(
    entry: Entry, sealer: Sealer, *, erases: int | None = None, alone: bool = False
) -> Item:
    """Make an entry ready, with a fresh salt."""
    opened = payload_of(entry)
    leaf = leaf_of(entry, opened)
    return Item(
        entry_row(entry, leaf),
        payload_row(entry, sealer, sealer.seal(leaf, opened)),
        leaf_hash(leaf),
        erases,
        alone,
    )


def entry_row(entry: Entry, leaf: bytes) -> EntryRow:
    """What stays of an entry with this leaf."""
    return EntryRow(
        entry.kind,
        leaf,
        moment(entry.recorded),
        entry.origin.tenant,
        entry.origin.caller,
        entry.protocol,
        entry.about,
        key_hash(entry.origin.tenant, entry.origin.caller, entry.key),
    )


def payload_row(entry: Entry, sealer: Sealer, sealed: Sealed) -> PayloadRow:
    """What can be erased of an entry, with its payload as it was sealed."""
    return PayloadRow(
        sealer.name(entry.patient),
        sealer.name(entry.decision_id),
        entry.outcome,
        classes_text(entry.classes),
        moment(entry.as_of),
        *sealed,
    )


def classes_text(classes: Sequence[str]) -> str:
    """The codes as they are stored.

    >>> classes_text(["pneumonia", "local-infection"]), classes_text([])
    ('|pneumonia|local-infection|', '')
    """
    return f"|{'|'.join(classes)}|" if classes else ""


def moment(time: datetime) -> str:
    """A time with offset as text that sorts.

    >>> moment(datetime.fromisoformat("2026-03-02T09:30:00+02:00"))
    '2026-03-02T07:30:00.000000+00:00'
    """
    return time.astimezone(UTC).isoformat(timespec="microseconds")


def key_hash(tenant: str, caller: str, key: str) -> bytes | None:
    """What an entry is known by when it is asked for again; None without a key."""
    return sha256(orjson.dumps((tenant, caller, key))).digest() if key else None


def logged(index: int, leaf: bytes, stored: Sequence[bytes | None], sealer: Sealer) -> Logged:
    """An entry as it stands in the log, from its leaf and the SEALED columns (None: erased).

    Raises LogUnavailable when it cannot be read.
    """
    try:
        payload = opened(leaf, stored, sealer)
        entry = None if payload is None else entry_of(leaf, payload)
        return Logged(index, leaf, head_of(leaf), entry, payload)
    except (ValueError, KeyError, TypeError) as error:
        raise LogUnavailable(f"entry {index} of the log was altered: verify the log") from error
    except LogUnavailable as error:
        raise LogUnavailable(f"entry {index} of the log cannot be read: {error}") from error


def opened(leaf: bytes, stored: Sequence[bytes | None], sealer: Sealer) -> Payload | None:
    """The payload in the SEALED columns, None when it was erased."""
    wrapped, salt, rest, request, response = stored
    if salt is None or rest is None or request is None or response is None:
        return None
    return sealer.open(leaf, Sealed(wrapped, salt, rest, request, response))
