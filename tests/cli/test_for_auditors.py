"""The command lines that docs/auditors.md gives are run as they stand there."""

import os
import re
import subprocess
import sys
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "auditors.md"


def test_the_commands_for_auditors_work_as_they_stand(tmp_path: Path) -> None:
    (block,) = re.findall(r"^```audit\n(.*?)^```$", PAGE.read_text(), re.DOTALL | re.MULTILINE)
    commands = Path(sys.executable).parent
    folder = tmp_path / "auditor"
    folder.mkdir()
    ended = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", block],
        cwd=folder,
        env=os.environ | {"PATH": f"{commands}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.count("n order: ") == 3  # verified three times
    assert "the same, byte for byte: 6" in ended.stdout
    assert "1: an antibiotic less" in ended.stdout
    assert {path.name for path in folder.iterdir()} == {
        "key.txt", "log.ndjson", "kept.txt", "log.csv",
    }  # fmt: skip
