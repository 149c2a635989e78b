"""Labels look as when they were last looked at (scripts that pdftotext gives in another order)."""

from pathlib import Path

import pytest

from .picture import pictures

DRAWN = dict(pictures())


@pytest.mark.parametrize("path", DRAWN, ids=lambda path: path.stem)
def test_the_picture_is_the_one_that_was_looked_at(path: Path) -> None:
    same = path.read_bytes() == DRAWN[path]

    assert same, "run `python -m tests.label.picture` and look at what it wrote"
