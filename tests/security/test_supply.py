"""What the service is made of: few packages, each pinned by its bytes."""

import re
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
LINUX = {
    "platform_system": "Linux", "sys_platform": "linux", "os_name": "posix",
    "platform_machine": "x86_64", "platform_python_implementation": "CPython",
    "implementation_name": "cpython", "python_version": "3.11", "python_full_version": "3.11.9",
    "extra": "",
}  # fmt: skip
MOST = 40


def locked() -> list[tuple[Requirement, list[str]]]:
    """Each package of the lock file with its hashes."""
    text = (ROOT / "requirements.txt").read_text().replace("\\\n", " ")
    lines = [
        line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")
    ]
    return [
        (
            Requirement(line.partition(" --hash")[0].strip()),
            re.findall(r"sha256:[0-9a-f]{64}", line),
        )
        for line in lines
    ]


def test_fewer_than_forty_packages_run_on_linux() -> None:
    names = {one.name for one, _ in locked() if not one.marker or one.marker.evaluate(LINUX)}

    assert {"fastapi", "pydantic", "cryptography", "uvloop"} <= names
    assert len(names) < MOST, sorted(names)


def test_each_is_one_version_with_its_hashes() -> None:
    for one, hashes in locked():
        assert re.fullmatch(r"==[^*]+", str(one.specifier)), one
        assert hashes, one
        assert one.url is None, one
