"""One flat row for each entry, for an auditor's spreadsheet: as CSV (RFC 4180) or as Parquet.

Unless it is asked for, nothing in a row says who the infant is.
"""

import csv
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib import import_module
from typing import Any, BinaryIO, Protocol, TextIO

from cds_service.audit.export import Piece
from cds_service.audit.leaf import entry_of, head_of
from cds_service.errors import CdsError

Row = dict[str, Any]

COLUMNS: dict[str, type] = {
    "index": int,
    "kind": str,
    "recorded": datetime,
    "tenant": str,
    "caller": str,
    "protocol": str,
    "content": str,
    "code": str,
    "about": int,
    "erased": bool,
    "as_of": datetime,
    "outcome": str,
    "classes": str,
    "language": str,
    "strict": bool,
    "request_bytes": int,
    "response_bytes": int,
}
"""What a row has, and of which type; what an erased entry does not tell any more is empty."""
PATIENT: dict[str, type] = {"patient": str, "decision": str}
"""What is there only when it is asked for."""
_GROUP = 10_000
"""Rows that are written together to a Parquet file."""
_FORMULA = tuple("=+-@\t\r\n＝＋－＠")


class Table(Protocol):
    """What rows are written to."""

    def add(self, row: Row) -> None:
        """Write one row."""
        ...

    def close(self) -> None:
        """Write what is still waiting."""
        ...


def row(piece: Piece, *, patient: bool) -> Row:
    """The row of one entry; raises ValueError, KeyError or TypeError for one that was altered."""
    head = head_of(piece.leaf)
    found: Row = dict.fromkeys({**COLUMNS, **(PATIENT if patient else {})})
    found |= {
        "index": piece.index,
        "kind": head.kind,
        "recorded": head.recorded.astimezone(UTC),
        "tenant": head.origin.tenant,
        "caller": head.origin.caller,
        "protocol": head.protocol,
        "content": head.content_digest,
        "code": head.code_version,
        "about": head.about,
        "erased": piece.payload is None,
    }
    if piece.payload is None:
        return found
    entry = entry_of(piece.leaf, piece.payload)
    found |= {
        "as_of": entry.as_of.astimezone(UTC),
        "outcome": entry.outcome,
        "classes": " ".join(entry.classes),
        "language": entry.language,
        "strict": entry.strict,
        "request_bytes": len(entry.request),
        "response_bytes": len(entry.response),
    }
    if patient:
        found |= {"patient": entry.patient, "decision": entry.decision_id}
    return found


class Csv:
    """Rows as CSV; a text that a spreadsheet would take for a formula gets a ' before it."""

    def __init__(self, file: TextIO, *, patient: bool) -> None:
        self._writer = csv.DictWriter(file, [*COLUMNS, *(PATIENT if patient else ())])
        self._writer.writeheader()

    def add(self, row: Row) -> None:
        """See Table."""
        self._writer.writerow({name: _cell(value) for name, value in row.items()})

    def close(self) -> None:
        """See Table."""


def _cell(value: Any) -> str:
    """The text of a cell (OWASP, "CSV Injection", from memory).

    >>> _cell("=1+1"), _cell(" "), _cell(True), _cell(None), _cell(-1)
    ("'=1+1", ' ', 'true', '', '-1')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    return str(value.isoformat()) if isinstance(value, datetime) else str(value)


class Parquet:
    """Rows as Parquet, a group of rows at a time; raises CdsError when pyarrow is not there."""

    def __init__(self, file: BinaryIO, *, patient: bool) -> None:
        try:
            arrow, parquet = import_module("pyarrow"), import_module("pyarrow.parquet")
        except ImportError:
            what = "Parquet needs the package pyarrow: pip install 'cds-service[parquet]'"
            raise CdsError(what) from None
        types = {
            int: arrow.int64(),
            str: arrow.string(),
            bool: arrow.bool_(),
            datetime: arrow.timestamp("us", tz="UTC"),
        }
        columns = {**COLUMNS, **(PATIENT if patient else {})}
        self._schema = arrow.schema([(name, types[kind]) for name, kind in columns.items()])
        self._table = arrow.Table
        self._writer = parquet.ParquetWriter(file, self._schema)
        self._rows: list[Row] = []

    def add(self, row: Row) -> None:
        """See Table."""
        self._rows.append(row)
        if len(self._rows) >= _GROUP:
            self._write(self._rows)
            self._rows = []

    def close(self) -> None:
        """See Table; without it the file cannot be read."""
        self._write(self._rows)
        self._rows = []
        self._writer.close()

    def _write(self, rows: Sequence[Row]) -> None:
        self._writer.write_table(self._table.from_pylist(list(rows), schema=self._schema))
