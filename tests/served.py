"""The service in a process of its own, as its users start it, with settings of ours alone."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple


class Served(NamedTuple):
    """Where it answers, and its process."""

    address: str
    process: "subprocess.Popen[str]"


@contextmanager
def served(folder: Path, *arguments: str, **settings: str) -> Iterator[Served]:
    """Start it on a free port with a fresh log in `folder`; killed at the end."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
    ours = {"CDS_DATABASE_URL": f"sqlite:///{folder}/own.db", **settings}
    process = subprocess.Popen(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0", *arguments],
        env=clean | ours, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout
        address = re.search(r"http://\S+:\d+", process.stdout.readline())
        assert address
        yield Served(address[0], process)
    finally:
        process.kill()
        process.communicate()
