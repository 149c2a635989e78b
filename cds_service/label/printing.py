"""From a decision to the bytes of a label or a leaflet: the one way out of this package."""

from typing import NamedTuple

from cds_service.engine.model import Decision
from cds_service.errors import Problem, UnusableRequest
from cds_service.label import letters, typeset
from cds_service.label.compose import LABEL, LEAFLET, Whom, page
from cds_service.label.ink import PAPER, THERMAL
from cds_service.label.screen import html

PAPERS = {"a6": LABEL, "58mm": LABEL, "a5": LEAFLET}
"""What is printed on which paper."""
FORMATS = {
    "pdf": "application/pdf",
    "svg": "image/svg+xml",
    "html": "text/html; charset=utf-8",
    "png": "image/png",
}
"""Media type of each form."""


class Wanted(NamedTuple):
    """What is asked for. `wordless`: by drawings, for who does not read."""

    format: str = "pdf"
    paper: str = "a6"
    language: str = "en"
    wordless: bool = False
    sheet: int = 1
    """Which sheet of an SVG or PNG, from 1; a PDF or HTML page has them all."""


class Printed(NamedTuple):
    """The bytes, and how many sheets there are."""

    body: bytes
    sheets: int


def printed(decision: Decision, wanted: Wanted, whom: Whom) -> Printed:
    """The label or leaflet of a decision; `wanted.language` is one of the protocol's.

    Raises UnusableRequest: no medicine is due, so there is no label; a name or text has a
    character that cannot be printed; there is no such sheet.
    """
    kind, thermal = PAPERS[wanted.paper], wanted.paper == "58mm"
    ink = THERMAL if thermal else PAPER
    named = Whom(*map(letters.name_to_print, whom))
    made = page(decision, kind, wanted.language, named, ink)
    if kind == LABEL and not made.items:
        what = "No medicine is due by this recommendation, so there is no label."
        raise UnusableRequest(Problem("not-found", what, "Ask for the leaflet: paper=a5."))
    letters.check(made)
    sheet = typeset.Sheet(made, wanted.paper, decision.case.as_of.date(), ink, wanted.wordless)
    if wanted.format == "pdf":
        return Printed(typeset.pdf(sheet), 0)
    sheets = typeset.png(sheet) if wanted.format == "png" else typeset.svg(sheet)
    if wanted.format == "html":
        return Printed(html(made, sheets), len(sheets))
    if not 1 <= wanted.sheet <= len(sheets):
        what = f"There is no such sheet: there are {len(sheets)}, counted from 1."
        raise UnusableRequest(Problem("not-found", what, "Ask for one of these."))
    return Printed(sheets[wanted.sheet - 1], len(sheets))
