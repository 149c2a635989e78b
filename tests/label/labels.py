"""Labels of the examples, and the words of a PDF read back by poppler's pdftotext."""

import subprocess
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.fhir.read import read
from cds_service.label.compose import Whom
from cds_service.label.printing import Wanted, printed

EXAMPLES = Path(__file__).parents[2] / "examples"
STORIES = sorted(path.parent.name for path in EXAMPLES.glob("[0-9]*/request.json"))
WHOM = Whom("Wren Alder", "Tolm Ford Health Post")


@cache
def protocol() -> Protocol:
    return load()


@cache
def decision(story: str) -> Decision:
    """The decision on an example, by the beginning of its name."""
    (folder,) = EXAMPLES.glob(f"{story}*")
    body = (folder / "request.json").read_bytes()
    now = datetime(2026, 5, 1, 12, tzinfo=UTC)
    return decide(read(body, protocol(), now=now).case, protocol())


def pdf(story: str, whom: Whom = WHOM, **wanted: object) -> bytes:
    """The PDF of a label or leaflet of an example."""
    return printed(decision(story), Wanted(**wanted), whom).body  # type: ignore[arg-type]


def words(document: bytes) -> str:
    """The text of a PDF as one line, in the order in which it was set."""
    command = ["pdftotext", "-raw", "-enc", "UTF-8", "-", "-"]
    done = subprocess.run(command, input=document, capture_output=True, check=True)
    return flat(done.stdout.decode())


def flat(text: str) -> str:
    """One blank between words."""
    return " ".join(text.split())
