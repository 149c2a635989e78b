"""Where a command writes to: standard output, or a file that is whole or is not there."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO


@contextmanager
def output(path: Path | None) -> Iterator[BinaryIO]:
    """Where to write: a file takes its name only when it is whole, and is its owner's only."""
    if path is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    unfinished = path.with_name(f".{path.name}.unfinished")
    with suppress(FileNotFoundError):
        unfinished.unlink()
    try:
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as f:
            yield f
            f.flush()
            os.fsync(f.fileno())
        unfinished.replace(path)
    finally:
        with suppress(FileNotFoundError):
            unfinished.unlink()
