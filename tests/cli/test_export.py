"""export: complete lines that verify, and flat rows that a spreadsheet may open."""

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from cds_service import cli
from cds_service.audit.examine import examine
from cds_service.audit.export import Piece, read_all
from cds_service.audit.note import Verifier
from cds_service.audit.record import ERASURE, KINDS
from tests import examples

from .conftest import SIZE, STORIES, Printed


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_every_byte_is_in_the_lines(exported: Path, verifier: Verifier) -> None:
    with exported.open("rb") as file:
        found = [line for line in read_all(file) if isinstance(line, Piece)]
    assert len(found) == SIZE
    for piece, story in zip(found, STORIES, strict=False):
        assert piece.payload is not None
        assert piece.payload.request == examples.sent(story)
    with exported.open("rb") as file:
        assert examine(read_all(file), verifier).size == SIZE
    assert exported.stat().st_mode & 0o777 == 0o600


def test_standard_output_is_the_same_as_a_file(exported: Path) -> None:
    command = [sys.executable, "-m", "cds_service", "export"]
    ended = subprocess.run(command, capture_output=True, check=True)
    assert ended.stdout.splitlines()[:-1] == exported.read_bytes().splitlines()[:-1]
    assert ended.stderr == f"{SIZE} entries exported.\n".encode()


@pytest.mark.parametrize(
    ("part", "count"),
    [
        (["--since", "2000-01-01"], SIZE),
        (["--since", "2999-01-01T00:00:00Z"], 0),
        (["--before", "2000-01-01"], 0),
        (["--before", "2999-01-01"], SIZE),
        (["--kind", ERASURE], 1),
        (["--kind", ERASURE, "--kind", "recommendation"], SIZE + 1),
    ],
)
def test_a_part_verifies_too(
    part: list[str], count: int, tmp_path: Path, verifier: Verifier, capsys: Printed
) -> None:
    assert cli.main(["erase", "--entry", "2", "--reason", "asked for"]) == 0
    path = tmp_path / "part.ndjson"
    assert cli.main(["export", *part, "-o", str(path)]) == 0
    assert f"{count + (count == SIZE and '--kind' not in part)} entries" in capsys.readouterr().err
    with path.open("rb") as file:
        assert examine(read_all(file), verifier).size == SIZE + 1


def test_an_altered_log_is_not_exported_as_if_it_were_whole(
    log: Path, tmp_path: Path, capsys: Printed
) -> None:
    from .test_verify_log import altered

    altered(log, "DELETE FROM payload WHERE position = 2")
    assert cli.main(["export", "-o", str(tmp_path / "log.ndjson")]) == 1
    assert "entry 2: the payload is gone" in capsys.readouterr().err
    assert not list(tmp_path.glob("*.ndjson*"))
    assert not list(tmp_path.glob(".*unfinished"))


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_a_row_an_entry_without_the_infant(capsys: Printed) -> None:
    assert cli.main(["erase", "--entry", "2", "--reason", "asked for"]) == 0
    capsys.readouterr()
    assert cli.main(["export", "--format", "csv"]) == 0
    out = capsys.readouterr().out
    found = rows(out)
    assert [row["index"] for row in found] == [str(index) for index in range(SIZE + 1)]
    assert found[0]["classes"] == "clinical-severe-infection no-jaundice hiv-unlikely"
    assert found[0]["outcome"] == "data-requested"
    assert found[0]["as_of"] == "2026-05-01T07:40:00+00:00"
    assert found[0]["request_bytes"] == str(len(examples.sent(STORIES[0])))
    assert (found[2]["erased"], found[2]["classes"], found[2]["protocol"]) == (
        "true", "", "sick-young-infant|2024.1",
    )  # fmt: skip
    assert (found[-1]["kind"], found[-1]["about"]) == ("erasure", "2")
    assert {row["kind"] for row in found} <= set(KINDS)
    assert "mv-infant" not in out
    assert "patient" not in out


def test_the_infant_is_named_only_when_asked_for(capsys: Printed) -> None:
    assert cli.main(["export", "--format", "csv", "--with-patient"]) == 0
    found = rows(capsys.readouterr().out)
    assert "mv-infant-01" in found[0]["patient"]
    assert len(found[0]["decision"]) == 36


def test_parquet_has_the_same_rows_with_types(tmp_path: Path, capsys: Printed) -> None:
    from pyarrow import parquet

    path = tmp_path / "log.parquet"
    assert cli.main(["export", "--format", "parquet", "-o", str(path)]) == 0
    assert cli.main(["export", "--format", "csv"]) == 0
    told = rows(capsys.readouterr().out)
    table = parquet.read_table(path)
    assert table.column_names == list(told[0])
    found = table.to_pylist()
    assert [row["index"] for row in found] == list(range(SIZE))
    assert found[0]["as_of"].isoformat() == told[0]["as_of"]
    assert [row["classes"] for row in found] == [row["classes"] for row in told]
    assert found[0]["about"] is None


def test_parquet_needs_a_file_and_its_package(
    tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cli.main(["export", "--format", "parquet"]) == 1
    assert "name it with --output" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    path = tmp_path / "log.parquet"
    assert cli.main(["export", "--format", "parquet", "-o", str(path)]) == 1
    assert "pip install 'cds-service[parquet]'" in capsys.readouterr().err
    assert not path.exists()


def test_a_folder_is_no_file(tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "folder").mkdir()
    assert cli.main(["export", "-o", str(tmp_path / "folder")]) == 1
    assert "is a folder" in capsys.readouterr().err
    assert cli.main(["export", "-o", str(tmp_path / "no/where.ndjson")]) == 1
    assert "there is no such" in capsys.readouterr().err
