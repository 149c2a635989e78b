"""What an auditor looks for is found by an index, however long the log is."""

import asyncio
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cds_service.audit.seal import Plain
from cds_service.audit.search import where
from cds_service.audit.store import Query
from tests.logs import open_log


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (Query(tenant="", patient="Patient/7"), "payload_by_patient"),
        (Query(tenant="", kinds=("recommendation",), decision_id="d"), "payload_by_decision"),
        (Query(tenant="", abouts=(7,)), "entry_by_about"),
        (Query(positions=(7,), reviews=("overridden",)), "entry_by_about"),
    ],
)
def test_an_index_is_used(tmp_path: Path, query: Query, index: str) -> None:
    asyncio.run(open_log(tmp_path / "log.db").close())
    found = where(query, Plain())
    asked = f"SELECT entry.position FROM {found.text} ORDER BY entry.position DESC LIMIT 21"
    with closing(sqlite3.connect(tmp_path / "log.db")) as log:
        plan = log.execute(f"EXPLAIN QUERY PLAN {asked}", found.values).fetchall()

    assert index in str(plan)
    assert "SCAN" not in str(plan)
