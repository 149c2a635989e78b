"""The pages in a real browser: `python -m tests.browser [NAME ...]`, for NAME.test.js, or all.

Starts the service with a log of its own (for `records` with that of `demo.py`) and Debian's
Chromium without a window, and gives every `*.test.js` their addresses. Pictures of every view go
to `build/screenshots/`: look at them.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.browser import demo

_HERE = Path(__file__).parent
_ROOT = _HERE.parents[1]
_FILLED = "records.test.js"
"""Tests that need a log with something in it."""
_PICTURES = _ROOT / "build" / "screenshots"


def main() -> int:
    """Run the tests; 0: all passed, 1: some failed, 2: there is no browser."""
    asked = argparse.ArgumentParser(prog="tests.browser", description=__doc__)
    asked.add_argument("names", nargs="*", metavar="NAME", help="the name before .test.js")
    asked.add_argument(
        "--pictures", action="store_true", help="make those of the documents instead"
    )
    chosen = asked.parse_args()
    names = chosen.names or [""]
    browser = shutil.which(os.environ.get("CHROMIUM", "chromium"))
    if browser is None:
        print("no Chromium is found; install it, or name it in CHROMIUM", file=sys.stderr)
        return 2
    if chosen.pictures:
        return _run(
            ["node", str(_HERE / "pictures.js")], browser, _ROOT / "docs" / "pictures", True
        )
    tests = [str(file) for file in sorted(_HERE.glob("*.test.js")) if _is_meant(file, names)]
    failed, judge = 0, ["node", "--test", "--test-reporter=spec"]
    for filled in (False, True):
        if several := [test for test in tests if test.endswith(_FILLED) == filled]:
            failed |= _run([*judge, *several], browser, _PICTURES, filled)
    return failed


def _run(command: list[str], browser: str, pictures: Path, filled: bool) -> int:
    pictures.mkdir(parents=True, exist_ok=True)
    with _served(filled) as address:
        given = {"ADDRESS": address, "CHROMIUM": browser, "PICTURES": str(pictures)}
        ended = subprocess.run(command, env=os.environ | given, cwd=_ROOT, check=False)
    return min(ended.returncode, 1)


def _is_meant(file: Path, names: list[str]) -> bool:
    return any(name in ("", file.name.removesuffix(".test.js")) for name in names)


@contextmanager
def _served(filled: bool) -> Iterator[str]:
    """The address of the service in a process of its own, with a fresh log or the demo's."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
    with tempfile.TemporaryDirectory() as folder:
        if filled:
            demo.make(Path(folder) / "log.db")
        process = subprocess.Popen(
            [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
            env=clean | {"CDS_DATABASE_URL": f"sqlite:///{folder}/log.db"},
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert process.stdout
            said = process.stdout.readline()
            address = re.search(r"http://\S+:\d+", said)
            assert address, said
            yield address[0]
        finally:
            process.terminate()
            process.communicate()


if __name__ == "__main__":
    sys.exit(main())
