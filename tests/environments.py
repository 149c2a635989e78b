"""Environments of their own for tools whose packages conflict with ours, from lock files."""

import subprocess
import sys
from pathlib import Path

_PYTHONS = (sys.executable, "python3.11", "python3.10")


def made(folder: Path, lock: Path, latest: tuple[int, int] = (3, 99)) -> Path:
    """The Python of the environment in `folder`, with exactly the packages of `lock`.

    `latest` is the latest version of Python that they are for, whatever the service runs on.
    """
    python, made_of = folder / "bin" / "python", folder / "made-of"
    wanted = lock.read_text(encoding="utf-8")
    if not made_of.exists() or made_of.read_text(encoding="utf-8") != wanted:
        subprocess.run([_usable(latest), "-m", "venv", "--clear", str(folder)], check=True)
        pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run([*pip, "--require-hashes", "-r", str(lock)], check=True)
        made_of.write_text(wanted, encoding="utf-8")
    return python


def _usable(latest: tuple[int, int]) -> str:
    for python in _PYTHONS:
        check = [python, "-c", f"import sys, venv; sys.exit(sys.version_info[:2] > {latest})"]
        try:
            if subprocess.run(check, check=False).returncode == 0:
                return python
        except FileNotFoundError:
            continue
    sys.exit(f"This needs Python {latest[0]}.{latest[1]} or earlier, with its venv module.")
