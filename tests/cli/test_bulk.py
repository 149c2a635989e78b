"""recommend --ndjson: a line of answers for each line of requests, in order, whatever comes."""

import asyncio
import gzip
import io
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import orjson
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.operationoutcome import OperationOutcome

from cds_service import cli
from cds_service.audit.record import Entry
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.store import Logged, Receipt
from cds_service.cli.bulk import reading
from cds_service.errors import LogUnavailable
from cds_service.service.lines import marked
from cds_service.settings import Settings
from tests import examples

from .conftest import SIZE, STORIES, Printed
from .ndjson import COMMAND, bulk

MARK = {"tag": [{"display": "Not recorded: for study, never for care"}]}


def one_line(story: str) -> bytes:
    return orjson.dumps(orjson.loads(examples.sent(story))) + b"\n"


@pytest.fixture
def asked(tmp_path: Path) -> Path:
    """A file of the stories, a line each."""
    path = tmp_path / "asked.ndjson"
    path.write_bytes(b"".join(map(one_line, STORIES)))
    return path


def logged() -> list[Logged]:
    async def read() -> list[Logged]:
        store = Settings.read().store()
        try:
            return [each async for each in store.scan()]
        finally:
            await store.close()

    return asyncio.run(read())


def outcomes(text: str) -> list[str]:
    """What the OperationOutcomes among the lines say, "" of each other line."""
    lines = [json.loads(line) for line in text.splitlines()]
    return [
        each["issue"][0]["details"]["text"] if each["resourceType"] == "OperationOutcome" else ""
        for each in lines
    ]


def test_the_answers_are_those_of_recommend_one_by_one(
    asked: Path, tmp_path: Path, capsys: Printed
) -> None:
    asked.write_bytes(b"".join(map(one_line, STORIES[:3])))
    alone = []
    for line in asked.read_bytes().splitlines():
        (tmp_path / "one.json").write_bytes(line)
        assert cli.main(["recommend", str(tmp_path / "one.json"), "--json"]) == 0
        alone.append(capsys.readouterr().out)

    bulk(asked)
    out, err = capsys.readouterr()
    assert out == "".join(alone)
    assert "3 cases in " in err
    assert "3 answered, 0 refused.\n" in err
    statuses = [json.loads(each)["entry"][0]["resource"]["status"] for each in alone]
    for status in statuses:
        assert re.search(
            rf"^  {statuses.count(status)} complete.* \({status}\)$", err, re.MULTILINE
        )


def test_all_are_recorded_in_order_and_can_be_asked_again(
    asked: Path, log: Path, capsys: Printed
) -> None:
    bulk(asked)
    first, last = SIZE, SIZE + len(STORIES) - 1
    out, err = capsys.readouterr()
    assert f"Recorded {len(STORIES)} in {log}, entries {first} to {last}.\n" in err
    entries = [each.entry for each in logged()[SIZE:]]
    assert b"".join(each.request + b"\n" for each in entries if each) == asked.read_bytes()
    assert b"".join(each.response + b"\n" for each in entries if each) == out.encode()
    assert cli.main(["replay"]) == 0
    assert f"the same, byte for byte: {SIZE + len(STORIES)}" in capsys.readouterr().out


def test_what_is_not_recorded_is_marked_and_leaves_no_log(
    asked: Path, log: Path, capsys: Printed
) -> None:
    bulk(asked)
    recorded = capsys.readouterr().out
    for path in log.parent.glob("log.db*"):
        path.unlink()
    bulk(asked, "--unrecorded")
    out, err = capsys.readouterr()
    assert out == "".join(marked(line.encode()).decode() + "\n" for line in recorded.splitlines())
    assert all(json.loads(line)["meta"] == MARK for line in out.splitlines())
    for line in out.splitlines():
        Bundle.model_validate_json(line)  # PyPI fhir.resources, the models of R4B
    assert "Not recorded in the log: these answers are for study, never for care.\n" in err
    assert not list(log.parent.glob("log.db*"))


def test_a_bad_line_has_its_refusal_in_its_place(
    tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CDS_MAX_BODY_BYTES", "60000")
    good = one_line(STORIES[0])
    path = tmp_path / "mixed.ndjson"
    too_long = b'{"x":"' + b"y" * 60_000 + b'"}\n'
    much_too_long = b'{"x":"' + b"y" * 2_000_000 + b'"}\n'
    bad = [
        b"{\n",
        b"\n",
        b'{"a":"\xff"}\n',
        too_long,
        much_too_long,
        b'{"resourceType":"Patient"}\n',
    ]
    path.write_bytes(good + good.join(bad) + good.removesuffix(b"\n"))

    bulk(path, code=3)
    out, err = capsys.readouterr()
    told = outcomes(out)
    assert told[::2] == [""] * 7
    for line in out.splitlines()[1::2]:
        OperationOutcome.model_validate_json(line)  # PyPI fhir.resources, the models of R4B
    assert [each.partition(":")[0] for each in told[1::2]] == [
        f"Line {number}" for number in range(2, 2 * len(bad) + 1, 2)
    ]
    assert [each.partition(": ")[2][:27] for each in told[1::2]] == [
        "The body is not JSON (line ",
        "The body is not JSON (line ",
        "The body is not UTF-8 (line",
        "The request is larger than ",
        "The request is larger than ",
        "The body is neither a Param",
    ]
    assert "7 answered, 6 refused." in err
    assert len(logged()) == SIZE + 7


def test_a_fault_costs_no_other_line_and_says_nothing_of_the_infant(
    asked: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from cds_service.service import deciding

    decide, calls = deciding.decide, iter(range(9))

    def sometimes(*given: Any) -> Any:
        if next(calls) == 1:
            raise ValueError("mv-infant-02")
        return decide(*given)

    monkeypatch.setattr(deciding, "decide", sometimes)
    bulk(asked, code=3)
    out, err = capsys.readouterr()
    fault = "Line 2: The service failed and gives no recommendation."
    assert outcomes(out) == ["", fault, "", "", ""]
    assert "4 answered, 0 refused, 1 failed." in err
    assert "ValueError" in caplog.text
    assert "mv-infant" not in caplog.text + err + out.splitlines()[1]


def test_files_follow_each_other_and_a_refusal_names_the_file(
    asked: Path, tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(one_line(STORIES[0]) + b"{")))
    packed = tmp_path / "more.ndjson.gz"
    packed.write_bytes(gzip.compress(b"[]\r\n" + one_line(STORIES[1]).replace(b"\n", b"\r\n")))
    written = tmp_path / "said.ndjson"

    bulk(asked, "-", packed, "--unrecorded", "-o", written, code=3)
    out, err = capsys.readouterr()
    assert out == ""
    assert "cases in" in err
    assert written.stat().st_mode & 0o077 == 0
    told = outcomes(written.read_text())
    assert [each.partition(":")[0] for each in told] == [
        *[""] * (len(STORIES) + 1), "Line 2 of file 2", "Line 1 of file 3", "",
    ]  # fmt: skip


def test_a_file_that_is_not_there_stops_it_before_the_start(
    asked: Path, tmp_path: Path, capsys: Printed
) -> None:
    for bad, why in (("nowhere", "there is no such file"), (tmp_path, "is a folder, and a file")):
        bulk(asked, bad, code=1)
        out, err = capsys.readouterr()
        assert out == ""
        assert f"{bad}: {why}" in err


def test_a_damaged_file_is_told_and_how_far_it_came(
    asked: Path, tmp_path: Path, capsys: Printed
) -> None:
    packed, written = tmp_path / "torn.gz", tmp_path / "said.ndjson"
    packed.write_bytes(gzip.compress(os.urandom(500_000))[:-9])
    bulk(asked, packed, "-o", written, code=1)
    err = capsys.readouterr().err
    assert "file 2 is not a whole gzip file" in err
    assert f"Stopped: {written} was not made.\n" in err
    assert f"Recorded {len(STORIES)} in " in err
    assert not list(tmp_path.glob("*said.ndjson*"))


def test_a_file_that_the_disk_has_no_room_for_ends_with_whole_answers_and_a_torn_one(
    asked: Path, tmp_path: Path
) -> None:
    limit = (
        f"ulimit -f 60; exec {shlex.join([*COMMAND, str(asked), '--unrecorded', '--jobs', '1'])}"
    )
    with (tmp_path / "said").open("wb") as said:
        ended = subprocess.run(
            ["bash", "-c", limit], stdout=said, stderr=subprocess.PIPE, text=True, check=False
        )
    whole = (tmp_path / "said").read_bytes().count(b"\n")
    assert ended.returncode == 1
    assert 0 < whole < len(STORIES)
    assert f"Stopped: the first {whole} lines have their answers" in ended.stderr
    assert ended.stderr.endswith("File too large\n")


def test_no_log_no_answer(
    asked: Path, tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}")
    bulk(asked, code=1)
    out, err = capsys.readouterr()
    assert out == ""
    assert "cannot be opened" in err


def test_an_answer_that_is_not_recorded_is_not_written(
    asked: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "LINES", 2)
    append, calls = SqliteStore.append, iter(range(9))

    async def fails(store: SqliteStore, entry: Entry) -> Receipt:
        if next(calls) == 3:
            raise LogUnavailable("the audit log did not take the entry")
        return await append(store, entry)

    monkeypatch.setattr(SqliteStore, "append", fails)
    bulk(asked, code=1)
    out, err = capsys.readouterr()
    assert outcomes(out) == ["", ""]
    assert (
        "the first 2 lines have their answers; do not use what stands behind them.\nRecorded 3 in "
        in err
    )
    assert err.endswith("the audit log did not take the entry\n")
    assert len(logged()) == SIZE + 3


def test_a_full_disk_is_told_in_words(
    asked: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Path("/dev/full").open("w") as full:
        monkeypatch.setattr(sys, "stdout", full)
        bulk(asked, code=1)
    err = capsys.readouterr().err
    assert err.startswith("Stopped: the first 0 lines have their answers; do not use what stands")
    assert "\nRecorded 5 in " in err
    assert err.endswith("\nNo space left on device\n")


@pytest.mark.parametrize("option", [["--unrecorded"], ["--jobs", "2"], ["-o", "x"], ["other.json"]])
def test_what_is_for_many_is_wrong_usage_for_one(option: list[str], capsys: Printed) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["recommend", "one.json", *option])
    assert ended.value.code == 2
    assert "is only for --ndjson" in capsys.readouterr().err
