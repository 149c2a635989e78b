"""A copy of the packaged content with deliberate faults, and what the loader says of it."""

import shutil
from pathlib import Path

import pytest

from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

PROTOCOL = "sick-young-infant"
PACKAGED = Path(load.__code__.co_filename).parent.parent / "protocols" / PROTOCOL
Edit = tuple[str, str, str]
"""File, the text that is replaced (its first occurrence), and what replaces it."""


def copied(folder: Path, *edits: Edit) -> Path:
    """Copy the packaged content into `folder` and make the edits; each must find its text."""
    target = folder / PROTOCOL
    shutil.copytree(PACKAGED, target)
    for file, old, new in edits:
        text = (target / file).read_text(encoding="utf-8")
        assert old in text, f"{file} has no {old!r}"
        (target / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def changed(folder: Path, *edits: Edit) -> Protocol:
    """Load a copy with edits that leave the content right."""
    return load(copied(folder, *edits), translated=False)


def findings(folder: Path, *, translated: bool = False) -> tuple[str, ...]:
    """The findings of a folder that must not load; of the catalogues only when asked for."""
    with pytest.raises(ContentError) as caught:
        load(folder, translated=translated)
    return caught.value.findings


def line_of(folder: Path, file: str, text: str) -> int:
    """The line on which a text first stands in a file of the copy."""
    before, found, _ = (folder / PROTOCOL / file).read_text(encoding="utf-8").partition(text)
    assert found, f"{file} has no {text!r}"
    return before.count("\n") + 1
