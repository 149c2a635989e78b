"""The rule of the house that no Python file is over 400 lines: one subject, read at one sitting."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = ("cds_service", "tests", "examples", "deploy")
MOST = 400
NOT_OURS = frozenset({"node_modules"})
"""Folders of other people's files. No Python file of ours is generated, so no other is left out."""


def too_long(folder: Path) -> list[str]:
    """The files of the folder with more lines than `MOST`, and how many they have."""
    counted = {
        path: path.read_bytes().count(b"\n")
        for path in sorted(folder.rglob("*.py"))
        if NOT_OURS.isdisjoint(path.relative_to(folder).parts)
    }
    return [f"{path}: {lines} lines" for path, lines in counted.items() if lines > MOST]


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_file_of_the_house_is_over_400_lines(folder: str) -> None:
    assert (ROOT / folder).is_dir()
    assert too_long(ROOT / folder) == []


def test_a_file_of_401_lines_is_found_wherever_it_is(tmp_path: Path) -> None:
    (tmp_path / "deep/node_modules").mkdir(parents=True)
    for name, lines in (("just", 400), ("deep/long", 401), ("deep/node_modules/theirs", 401)):
        (tmp_path / f"{name}.py").write_text("pass\n" * lines)

    assert too_long(tmp_path) == [f"{tmp_path}/deep/long.py: 401 lines"]
