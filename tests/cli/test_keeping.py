"""erase and log-key: what whoever keeps the log does to it."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.audit.examine import opened
from cds_service.audit.note import Verifier, VerifierKey
from cds_service.settings import Settings
from tests.logs import entry_at

from .conftest import SIZE, Printed


def test_an_entry_is_erased_and_the_log_says_so(log: Path, capsys: Printed) -> None:
    assert cli.main(["erase", "--entry", "2", "--reason", " the mother asked for it "]) == 0
    assert capsys.readouterr().out == f"Entry 2 was erased; entry {SIZE} says so.\n"
    assert b"mv-infant-05" not in log.read_bytes()
    store = Settings.read().service().store
    erasure = entry_at(store, SIZE)
    assert (erasure.about, b"the mother asked for it" in erasure.request + erasure.response) == (
        2,
        True,
    )
    asyncio.run(store.close())
    assert cli.main(["verify-log"]) == 0
    assert "1 of them erased" in capsys.readouterr().out


@pytest.mark.parametrize("entry", ["99", "-1", str(2**64)])
def test_nothing_is_erased_where_nothing_is(entry: str, capsys: Printed) -> None:
    assert cli.main(["erase", f"--entry={entry}", "--reason", "asked for"]) == 1
    assert "nothing was erased: there is no such entry" in capsys.readouterr().err


def test_an_entry_is_erased_once(capsys: Printed) -> None:
    for code in (0, 1):
        assert cli.main(["erase", "--entry", "2", "--reason", "asked for"]) == code
    assert "it was erased before" in capsys.readouterr().err


@pytest.mark.parametrize("reason", [[], ["--reason", " "]])
def test_an_erasure_has_a_reason(reason: list[str], capsys: Printed) -> None:
    assert cli.main(["erase", "--entry", "2", *reason]) == 1
    assert "say why with --reason" in capsys.readouterr().err


def test_what_is_too_old_is_erased(capsys: Printed, monkeypatch: pytest.MonkeyPatch) -> None:
    assert cli.main(["erase", "--retention"]) == 1
    assert "CDS_RETENTION_DAYS is 0" in capsys.readouterr().err
    monkeypatch.setenv("CDS_RETENTION_DAYS", "30")
    assert cli.main(["erase", "--retention"]) == 0
    assert capsys.readouterr().out == "0 entries older than 30 days were erased.\n"
    later = datetime.now(UTC) + timedelta(days=31)
    monkeypatch.setattr("cds_service.service.local_now", lambda: later)
    monkeypatch.setattr("cds_service.settings.local_now", lambda: later)
    monkeypatch.setattr(
        "cds_service.service.Service.__init__.__kwdefaults__", {"clock": lambda: later}
    )
    assert cli.main(["erase", "--retention"]) == 0
    assert capsys.readouterr().out == f"{SIZE} entries older than 30 days were erased.\n"


def test_one_of_both_is_erased() -> None:
    for what in ([], ["--entry", "1", "--retention"]):
        with pytest.raises(SystemExit):
            cli.main(["erase", *what])


def test_the_keys_that_verify_are_printed(key: str, capsys: Printed) -> None:
    assert cli.main(["log-key"]) == 0
    assert capsys.readouterr().out == f"{key}\n"


@pytest.mark.parametrize(
    "command",
    [["erase", "--entry", "0", "--reason", "asked for"], ["log-key"]],
    ids=lambda command: str(command[0]),
)
def test_where_no_log_is_none_is_made(
    command: list[str], tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}/other/log.db")

    assert cli.main(command) == 1

    assert "there is no audit log" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()


def test_a_key_is_made_and_never_overwritten(tmp_path: Path, capsys: Printed) -> None:
    path = tmp_path / "new.key"
    assert cli.main(["log-key", "--make", str(path)]) == 0
    made = VerifierKey.parse(capsys.readouterr().out.strip())
    assert made.name == Settings.read().origin
    assert path.stat().st_mode & 0o777 == 0o600
    before = path.read_bytes()
    assert cli.main(["log-key", "--make", str(path)]) == 1
    assert path.read_bytes() == before


def test_a_key_is_rotated_without_a_gap(
    key: str, log: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cli.main(["log-key", "--rotate"]) == 0
    told = capsys.readouterr().out.splitlines()
    new, both = told[0], told[1].split("CDS_LOG_KEY_FILE=")[1].split(":")[0]
    assert both == f"{log}.key,{log}.key.2"
    monkeypatch.setenv("CDS_LOG_KEY_FILE", both)
    assert cli.main(["log-key"]) == 0
    assert capsys.readouterr().out == f"{key}\n{new}\n"
    note = asyncio.run(_checkpoint())
    for known in (key, new):
        assert opened(note, Verifier([VerifierKey.parse(known)])).size == SIZE
    assert cli.main(["verify-log", "--key", new]) == 0
    monkeypatch.setenv("CDS_LOG_KEY_FILE", told[3].split("CDS_LOG_KEY_FILE=")[1].split(";")[0])
    assert cli.main(["verify-log", "--key", new]) == 0
    assert cli.main(["erase", "--entry", "1", "--reason", "asked for"]) == 0  # the new one signs
    assert cli.main(["verify-log", "--key", new]) == 0
    assert cli.main(["verify-log", "--key", key]) == 1


async def _checkpoint() -> str:
    store = Settings.read().service().store
    try:
        return await store.checkpoint()
    finally:
        await store.close()
