"""label: the medicine label and the caregiver's leaflet for one request, as files."""

import argparse
import asyncio
import sys
from pathlib import Path
from typing import Any

from cds_service.cli.arguments import command, moment
from cds_service.content.library import Library
from cds_service.label.printing import FORMATS, PAPERS, Printed, Wanted
from cds_service.service import Service
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the command."""
    label = command(
        commands, "label", _label, "write the medicine label and the caregiver's leaflet to files"
    )
    label.add_argument("file", help="FHIR Parameters or Bundle in JSON; - is standard input")
    label.add_argument(
        "--paper", choices=PAPERS, action="append", help="default: a6 (label) and a5 (leaflet)"
    )
    label.add_argument("--format", choices=FORMATS, default="pdf")
    label.add_argument("--language", metavar="TAG", default="", help="such as sw")
    label.add_argument("--no-words", action="store_true", help="drawings, for who does not read")
    label.add_argument("--blank-name", action="store_true", help="a line in place of the name")
    label.add_argument(
        "--to", metavar="FOLDER", type=Path, default=Path(), help="default: the current folder"
    )
    label.add_argument(
        "--as-of", type=moment, metavar="TIME", help="as of recommend: the moment to decide for"
    )


def _label(asked: argparse.Namespace) -> int:
    body = sys.stdin.buffer.read() if asked.file == "-" else Path(asked.file).read_bytes()
    settings = Settings.read()
    service = settings.service()
    if asked.as_of is not None:
        service.clock = lambda: asked.as_of
    for path in asyncio.run(_written(service, body, asked)):
        print(path)
    print(f"Recorded in {settings.log}.", file=sys.stderr)
    return 0


async def _written(service: Service, body: bytes, asked: argparse.Namespace) -> list[Path]:
    """Recommend, print, record both, and only then write the files."""
    library = Library()

    async def sheet(paper: str, number: int) -> Printed:
        wanted = Wanted(asked.format, paper, asked.language, asked.no_words, number)
        blank = asked.blank_name
        return (await service.label(index, entry, wanted, library, blank=blank))[1]

    try:
        entry, decision = service.entry(body, languages=(asked.language,))
        index = (await service.record(entry)).index
        papers = asked.paper or (["a6", "a5"] if decision.plan.orders else ["a5"])
        files: dict[Path, bytes] = {}
        for paper in papers:
            name, made = f"{PAPERS[paper]}-{paper}", await sheet(paper, 1)
            if asked.format in ("pdf", "html"):
                files[asked.to / f"{name}.{asked.format}"] = made.body
                continue
            bodies = [made.body, *[(await sheet(paper, n + 1)).body for n in range(1, made.sheets)]]
            for number, each in enumerate(bodies, 1):
                files[asked.to / f"{name}-{number}.{asked.format}"] = each
    finally:
        await service.store.close()
    asked.to.mkdir(parents=True, exist_ok=True)
    for path, each in files.items():
        path.write_bytes(each)
    return list(files)
