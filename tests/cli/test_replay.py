"""replay: the same bytes on the content of then, a report in words on another."""

import asyncio
import os
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.cli import parallel
from cds_service.settings import Settings

from .conftest import SIZE, Printed

OTHER = "sick-young-infant|2014.1"


def test_a_log_replays_byte_for_byte(capsys: Printed) -> None:
    assert cli.main(["replay"]) == 0
    out, err = capsys.readouterr()
    assert f"replayed: {SIZE}\n  the same, byte for byte: {SIZE}\n" in out
    assert err == ""  # no progress bar when nobody looks


def test_progress_is_shown_to_whoever_looks() -> None:
    reads, writes = os.openpty()
    termios.tcsetwinsize(writes, (24, 80))
    command = [sys.executable, "-m", "cds_service", "replay"]
    ended = subprocess.run(command, stdout=subprocess.PIPE, stderr=writes, text=True, check=False)
    os.set_blocking(reads, False)  # or nothing shown would be waited for
    shown = os.read(reads, 100_000).decode()
    os.close(writes)
    os.close(reads)
    assert ended.returncode == 0
    assert f"/{SIZE}" in shown
    assert "entries" in shown
    assert "entries" not in ended.stdout


def test_an_export_replays_without_the_log(exported: Path, log: Path, capsys: Printed) -> None:
    log.unlink()
    assert cli.main(["replay", str(exported)]) == 0
    assert f"the same, byte for byte: {SIZE}" in capsys.readouterr().out
    assert not log.exists()


def test_an_export_is_read_from_standard_input(exported: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "cds_service", "replay", "-"],
        input=exported.read_bytes(),
        capture_output=True,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (0, b"")
    assert f"the same, byte for byte: {SIZE}".encode() in ended.stdout


def test_another_content_is_told_with_the_worst_first(capsys: Printed) -> None:
    assert cli.main(["replay", "--against", OTHER]) == 1
    out = capsys.readouterr().out
    assert "another recommendation: 3 (50.0%)" in out
    assert "other bytes, the same care: 3" in out  # the two without infection, and the note
    assert "1: an antibiotic less" in out
    assert "1: Clinical severe infection -> Very severe disease" in out
    assert "Gentamicin: a lower dose, or a shorter course, at least 0.71 of the old" in out
    worst = [line for line in out.splitlines() if line.startswith("  entry ")]
    assert worst == [
        "  entry 2: an antibiotic less",
        "  entry 0: a lower dose, or a shorter course",
        "  entry 3: another class",
    ]
    assert "mv-infant" not in out


def test_an_entry_is_told_alone(capsys: Printed) -> None:
    assert cli.main(["replay", "--entry", "1"]) == 0
    assert capsys.readouterr().out == "entry 1: the same, byte for byte\n"
    assert cli.main(["replay", "--entry", "1", "--against", OTHER]) == 0
    assert capsys.readouterr().out == "entry 1: other bytes, the same care\n"
    assert cli.main(["replay", "--entry", "0", "--against", OTHER]) == 1
    out = capsys.readouterr().out
    assert out.startswith("entry 0: another recommendation\n  Gentamicin: gentamicin vial")
    assert "for 7 days -> " in out


def test_an_entry_that_is_not_there_is_said(exported: Path, capsys: Printed) -> None:
    for source in ([], [str(exported)]):
        assert cli.main(["replay", "--entry", "99", *source]) == 2
        assert capsys.readouterr().err == "there is no entry 99\n"


def test_what_was_recorded_later_is_replayed_alone(exported: Path, capsys: Printed) -> None:
    for since, count in (("2000-01-01", SIZE), ("2999-01-01", 0)):
        for source in ([], [str(exported)]):
            assert cli.main(["replay", "--since", since, *source]) == 0
            assert f"replayed: {count}" in capsys.readouterr().out


def test_erased_entries_are_counted_and_said(capsys: Printed) -> None:
    assert cli.main(["erase", "--entry", "2", "--reason", "asked for"]) == 0
    assert cli.main(["replay"]) == 0
    out = capsys.readouterr().out
    assert f"replayed: {SIZE - 1}\n" in out
    assert "  erased: 1\n" in out
    assert "  no recommendation: 1\n" in out

    assert cli.main(["replay", "--entry", "2"]) == 2
    out = capsys.readouterr().out
    assert out.startswith("entry 2: erased\n")
    assert "GET /log/proof/inclusion/2" in out


def test_bytes_that_differ_without_another_care_are_a_difference(
    capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CDS_BASE", "http://elsewhere.example/fhir")
    monkeypatch.setenv("CDS_LOG_NAME", "cds-service.example/fhir")
    assert cli.main(["replay", "--entry", "1"]) == 1
    out = capsys.readouterr().out
    assert out.startswith("entry 1: other bytes, the same care: differs at entry[0].resource.")


def test_an_altered_entry_cannot_be_replayed(exported: Path, capsys: Printed) -> None:
    text = exported.read_bytes()
    exported.write_bytes(text.replace(b"mv-infant-01", b"mv-infant-99", 1))
    assert cli.main(["replay", str(exported)]) == 2
    out = capsys.readouterr().out
    assert "cannot be replayed: 1" in out
    assert "it was altered: its payload is not the one that was recorded: 1, the first is" in out


@pytest.mark.parametrize(
    "name", ["sick-young-infant|2099.1", "sick-young-infant|2024.1+nowhere", "sick-child|1", ""]
)
def test_a_content_that_is_not_there_is_said(name: str, capsys: Printed) -> None:
    assert cli.main(["replay", "--against", name]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("No such content:\n")


def test_files_that_cannot_be_read_are_told(
    tmp_path: Path, capsys: Printed, request: pytest.FixtureRequest
) -> None:
    assert cli.main(["replay", "nowhere.ndjson"]) == 2
    assert capsys.readouterr().err == "nowhere.ndjson: there is no such file\n"
    (tmp_path / "other.ndjson").write_text("{}\n")
    assert cli.main(["replay", str(tmp_path / "other.ndjson")]) == 2
    assert "line 1 is not a line of an exported log" in capsys.readouterr().err


@pytest.mark.parametrize("since", ["yesterday", "2026-13-01", "2026-01-01T00:00"])
def test_a_moment_that_is_none_is_wrong_usage(since: str, capsys: Printed) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["replay", "--since", since])
    assert ended.value.code == 2
    assert "needs date, time and offset" in capsys.readouterr().err


def test_several_processes_find_the_same_as_one(
    capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parallel, "CHUNK", 1)
    monkeypatch.setattr(parallel, "ALONE", 1)
    told = []
    for jobs in ("1", "2"):
        assert cli.main(["replay", "--against", OTHER, "--jobs", jobs]) == 1
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]


def test_the_service_need_not_be_stopped(log: Path, capsys: Printed) -> None:
    service = Settings.read().service()  # holds the log open, as another process would
    try:
        assert cli.main(["replay"]) == 0
    finally:
        asyncio.run(service.store.close())
