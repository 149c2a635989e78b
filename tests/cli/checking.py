"""settings --check as the tests call it: what is told, and that nothing was changed by it."""

import asyncio
import json
import os
import shutil
import subprocess
import sys
import tempfile
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from cds_service import cli
from cds_service.cli import serving
from cds_service.errors import CdsError
from cds_service.settings import Settings

from .conftest import Printed

FROZEN = Path(__file__).parents[1] / "audit/frozen"
STARTS = "The service would start with these settings.\n"
ADDRESS = "https://cds.marrow-vale.example"


class Told(NamedTuple):
    code: int
    right: str
    wrong: str


class Kept(NamedTuple):
    """A file as it is in its folder."""

    content: bytes
    mode: int
    written: int


def files(folder: Path) -> dict[str, Kept]:
    found = {}
    for path in (folder, *folder.rglob("*")):
        state = path.stat()
        content = path.read_bytes() if path.is_file() else b""
        found[str(path)] = Kept(content, state.st_mode, state.st_mtime_ns)
    return found


def starts(folder: Path) -> bool:
    """Whether the service really starts, on a copy of the folder."""
    with tempfile.TemporaryDirectory() as elsewhere, pytest.MonkeyPatch.context() as patch:
        copy = Path(elsewhere) / "copy"
        shutil.copytree(folder, copy)
        for name in [name for name in os.environ if name.startswith("CDS_")]:
            patch.setenv(name, os.environ[name].replace(str(folder), str(copy)))
        return started()


def started() -> bool:
    """Whether the service starts; at once it is stopped again."""
    try:
        asyncio.run(_started(Settings.read()))
    except (CdsError, OSError):
        return False
    return True


async def _started(settings: Settings) -> None:
    """What `serve` does before it answers."""
    with serving._listening(settings.host, 0), closing(settings.spans() or BytesIO()) as spans:
        service = settings.service(None if isinstance(spans, BytesIO) else spans)
        try:
            await serving._checked(service)
            if (access := settings.access()) is not None:
                access.close()
        finally:
            await service.store.close()


def checked(folder: Path, capsys: Printed, *, likewise: bool = True) -> Told:
    """What is told; a start says the same unless only this process was told of the fault."""
    before = files(folder)
    code = cli.main(["settings", "--check"])
    printed = capsys.readouterr()
    assert files(folder) == before
    assert code == bool(printed.err)
    assert printed.out.endswith(STARTS) == (code == 0)
    assert all(line.startswith("right  ") for line in printed.out.removesuffix(STARTS).splitlines())
    assert not likewise or starts(folder) == (code == 0)
    return Told(code, printed.out, printed.err)


def fault(folder: Path, capsys: Printed, *, likewise: bool = True) -> str:
    """The one thing that is wrong."""
    told = checked(folder, capsys, likewise=likewise)
    assert told.code == 1
    one, last = told.wrong.splitlines()
    assert last.startswith("Do not restart the service yet: of ")
    assert one.startswith("wrong  ")
    return one.removeprefix("wrong  ")


def by_whom_permissions_bind(log: Path) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "tests.cli.without_privileges", "settings", "--check"],
        env={**os.environ, "CDS_DATABASE_URL": f"sqlite:///{log}"},
        capture_output=True,
        text=True,
        check=False,
    )


def with_issuers(folder: Path, monkeypatch: pytest.MonkeyPatch, *issuers: Any) -> None:
    listed = [each.model_dump(mode="json", exclude_none=True) for each in issuers]
    (folder / "issuers.json").write_text(json.dumps({"issuers": listed}))
    monkeypatch.setenv("CDS_ISSUERS_FILE", str(folder / "issuers.json"))
    monkeypatch.setenv("CDS_PUBLIC_URL", ADDRESS)
