"""Logs for tests: with a key of their own that is the same each time."""

import asyncio
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from cds_service.audit.keys import load_signer
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.postgres import PostgresStore
from cds_service.audit.record import Entry
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Store

NAME = "log.example/tests"
SIGNER = Signer(NAME, [Ed25519PrivateKey.from_private_bytes(bytes(range(32)))])
VERIFIER = Verifier(SIGNER.verifier_keys)


def open_log(path: Path, **options: Any) -> SqliteStore:
    """A log in one file."""
    return SqliteStore(path, SIGNER, **options)


def open_served(path: Path) -> SqliteStore:
    """The log of a service that was started in a process of its own, with its key beside it."""
    signer = load_signer("cds-service.example/fhir", [path.with_name(f"{path.name}.key")])
    return SqliteStore(path, signer)


def open_database(url: str, **options: Any) -> PostgresStore:
    """A log in PostgreSQL."""
    return PostgresStore(url, SIGNER, **options)


def open_any(place: str) -> Store:
    """A log in the file, or in the database whose address begins with postgresql://."""
    return open_database(place) if place.startswith("postgresql:") else open_log(Path(place))


def entry_at(store: Store, index: int) -> Entry:
    """What is recorded there; fails when there is nothing, or when it was erased."""
    logged = asyncio.run(store.get(index))
    assert logged is not None
    assert logged.entry is not None
    return logged.entry


def recorded(folder: Path) -> int:
    """How many entries the log of a service has that keeps it in this folder."""
    store = open_served(folder / "log.db")
    try:
        return asyncio.run(store.size())
    finally:
        asyncio.run(store.close())
