"""The lines that docs/auditors.md gives, run as they stand against the real service."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
USUAL = "http://127.0.0.1:8080"


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The service in a process of its own, on a free port."""
    process = subprocess.Popen(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"CDS_DATABASE_URL": f"sqlite:///{tmp_path}/log/log.db"},
    )
    assert process.stdout
    found = re.search(r"http://\S+:\d+", process.stdout.readline())
    assert found, process.communicate()[1]
    yield found[0]
    process.terminate()
    out, err = process.communicate(timeout=20)
    assert "marrow-vale" not in out + err
    assert "Pell" not in out + err


def lines() -> str:
    """The block of what auditors do over HTTP."""
    page = (ROOT / "docs" / "auditors.md").read_text(encoding="utf-8")
    section = page.partition("\n## Over HTTP\n")[2].partition("\n## ")[0]
    (block,) = re.findall(r"^```bash\n(.*?)^```$", section, re.DOTALL | re.MULTILINE)
    return str(block)


def script(path: Path, command: str) -> None:
    """A program of that name that runs a command with its own arguments."""
    path.write_text(f'#!/bin/sh\n{command} "$@"\n')
    path.chmod(0o755)


@pytest.fixture(params=["curl", "ours"])
def programs(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder with `python3`, and with `curl`: the machine's where there is one, and ours."""
    folder = tmp_path / "bin"
    folder.mkdir()
    script(folder / "python3", f'exec "{sys.executable}"')
    own = shutil.which("curl") if request.param == "curl" else None
    ours = f'PYTHONPATH="{ROOT}" exec "{sys.executable}" -m tests.curl'
    script(folder / "curl", f'exec "{own}"' if own else ours)
    return folder


def test_every_line_does_what_the_readme_says(address: str, programs: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    work.mkdir()
    (work / "examples").symlink_to(ROOT / "examples")
    # A mark after each command that prints, so that the answers can be told apart.
    printing = re.compile(r"^(curl (?!.* -o ).*|python3 .*)$", re.MULTILINE)
    marked = printing.sub(r"\1; echo; echo ---", lines())
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", marked.replace(USUAL, address)],
        cwd=work,
        env=os.environ | {"PATH": f"{programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    *answers, record_shown, growth_shown = done.stdout.split("\n---\n")[:-1]
    told, infant, day, overridden, guidance, record, replayed = map(json.loads, answers)
    assert told["resourceType"] == replayed["resourceType"] == "Parameters"
    assert [each["resource"]["id"] for each in infant["entry"]] == ["log-1", "log-0"]
    assert [each["resource"]["id"] for each in day["entry"]] == ["log-0"]
    assert [each["resource"]["id"] for each in overridden["entry"]] == ["log-1"]
    assert [each["code"] for each in guidance["meta"]["tag"]] == ["overridden"]
    kinds = [each["resource"]["resourceType"] for each in record["entry"]]
    assert kinds == ["AuditEvent", "Parameters", "Bundle", "AuditEvent"]
    assert replayed["parameter"][0] == {"name": "equal", "valueBoolean": True}
    assert record_shown.startswith("SHOWN: record, request and response")
    assert growth_shown.startswith("SHOWN: the 1 entries")
    answer = ROOT / "examples/01-fever-refer-or-treat/request.json"
    assert (work / "request").read_bytes() == answer.read_bytes()
    assert (work / "response").read_bytes() == (work / "answer").read_bytes()
