"""The service remembers what it signed: another log in the place of its own is not gone on with."""

import asyncio
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from cds_service.audit import witness
from cds_service.audit.note import Signer
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.sqlite_layout import protect
from cds_service.errors import LogUnavailable
from tests.logs import NAME

from .conftest import append_all, entry
from .tampering import disarm

Opened = Callable[..., SqliteStore]
OWN = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
"""The key of `tests.logs`."""


def filled(store: SqliteStore, first: int, last: int) -> None:
    append_all(store, [entry(number) for number in range(first, last)])
    asyncio.run(store.close())


def test_an_older_copy_of_the_log_is_not_gone_on_with(opened: Opened, tmp_path: Path) -> None:
    filled(opened(), 0, 300)
    shutil.copy(tmp_path / "log.db", tmp_path / "copy.db")
    filled(opened(), 300, 310)
    (tmp_path / "copy.db").replace(tmp_path / "log.db")

    with pytest.raises(LogUnavailable, match="has 300 entries, and 310 were signed for"):
        opened()

    (tmp_path / "log.db.checkpoint").unlink()
    assert asyncio.run(opened().size()) == 300


def test_an_altered_log_is_not_gone_on_with(opened: Opened, tmp_path: Path) -> None:
    filled(opened(), 0, 10)
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as log:
        disarm(log)
        log.execute(
            "UPDATE entry SET leaf = CAST(replace(CAST(leaf AS TEXT), 'c', 'd') AS BLOB)"
            " WHERE position = 4"
        )
        protect(log)  # so that it looks as if nothing had been done to it

    with pytest.raises(LogUnavailable, match="first 10 entries of the log are not those"):
        opened()


def test_the_log_of_before_is_gone_on_with(opened: Opened, tmp_path: Path) -> None:
    for first in range(0, 30, 10):
        filled(opened(), first, first + 10)
    asyncio.run(opened().close())  # nothing was signed: what was kept stays

    assert (tmp_path / "log.db.checkpoint").read_text().split("\n")[1] == "30"


def test_a_file_that_is_no_checkpoint_is_told(opened: Opened, tmp_path: Path) -> None:
    (tmp_path / "log.db.checkpoint").write_text("30\n")

    with pytest.raises(LogUnavailable, match="is no checkpoint"):
        opened()


@pytest.mark.parametrize("left", ["", "\0" * 180])
def test_what_a_power_cut_left_empty_shows_nothing(
    opened: Opened, tmp_path: Path, left: str
) -> None:
    filled(opened(), 0, 3)
    (tmp_path / "log.db.checkpoint").write_text(left)

    assert asyncio.run(opened().size()) == 3


def test_it_is_written_once_a_second_and_its_failure_does_no_harm(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = opened()
    written: list[str] = []

    def full(path: Path, text: str, **_: str) -> int:
        written.append(text)
        raise OSError

    monkeypatch.setattr(Path, "write_text", full)
    monkeypatch.setattr(witness, "EVERY", 3600.0)  # however busy the machine is
    for number in range(5):
        append_all(store, [entry(number)])
    monkeypatch.setattr(witness, "EVERY", 0.0)
    receipts = append_all(store, [entry(5)])

    asyncio.run(store.close())  # what is still to be written is, at the latest then

    # The first, perhaps what waited when the time was changed, and the last; of five none between.
    assert written[-1] == receipts[0].checkpoint
    assert len(written) in (2, 3)
    assert not (tmp_path / "log.db.checkpoint").exists()


def test_a_log_that_another_key_signed_is_not_gone_on_with(opened: Opened, tmp_path: Path) -> None:
    filled(opened(), 0, 3)
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))

    for stranger in (Signer(NAME, [other]), Signer("log.example/renamed", [OWN])):
        with pytest.raises(LogUnavailable, match="with another key or under another name"):
            SqliteStore(tmp_path / "log.db", stranger)

    # Rotation: for a while both sign, also when nothing is recorded; then the new one alone.
    filled(SqliteStore(tmp_path / "log.db", Signer(NAME, [OWN, other])), 3, 3)
    filled(SqliteStore(tmp_path / "log.db", Signer(NAME, [other])), 3, 4)
    with pytest.raises(LogUnavailable, match="another key"):
        opened()
