"""Rows of an export: nothing in them is taken for a formula, and groups do not grow."""

import csv
import io

import pytest

from cds_service.audit import table
from cds_service.audit.record import Origin
from cds_service.audit.table import Csv, Parquet, row
from tests.audit.logs import entry, piece, pieces
from tests.changing import replace


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@sum(a1)", "\t=1", "\r=1", "\n=1", "＝1", "＋1", "－1", "＠x"],
)
def test_a_text_that_a_spreadsheet_would_run_is_made_harmless(text: str) -> None:
    # The characters are those of OWASP, "CSV Injection" (from memory).
    made = replace(entry(0), origin=Origin(text, 'a "quoted", one'), patient=text)
    file = io.StringIO(newline="")
    Csv(file, patient=True).add(row(piece(0, made), patient=True))
    (found,) = csv.DictReader(io.StringIO(file.getvalue(), newline=""))
    assert found["tenant"] == found["patient"] == f"'{text}"
    assert found["caller"] == 'a "quoted", one'


def test_lines_end_as_the_standard_says() -> None:
    file = io.StringIO(newline="")
    Csv(file, patient=False)
    assert file.getvalue().endswith("response_bytes\r\n")  # RFC 4180, section 2


def test_parquet_is_written_a_group_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    from pyarrow import parquet

    monkeypatch.setattr(table, "_GROUP", 4)
    file = io.BytesIO()
    written = Parquet(file, patient=True)
    for each in pieces(9):
        written.add(row(each, patient=True))
    written.close()
    found = parquet.ParquetFile(io.BytesIO(file.getvalue()))
    assert [found.metadata.row_group(at).num_rows for at in range(found.num_row_groups)] == [
        4,
        4,
        1,
    ]
    assert found.read().column("patient").to_pylist()[8] == "Patient/invented-8"
